// The outbox: every photo is first kept on the phone, then sent, and forgotten only when the server says that it
// has it.  A photo carries a number that the phone made, so sending it again does no harm.

import { tellMeanwhile } from "./checklist.js";
import { choosingIs, say, sayUntilBack, sendingIs, unsentChanged } from "./stay.js";
import { forget, keep, newId, waiting } from "./store.js";

const LONGEST_PAUSE_MS = 15000;

// --- what is shown ---------------------------------------------------------------------------------------

const outbox = document.getElementById("outbox");
const here = outbox?.dataset.joint ?? "";

function made(tag, name, text) {
  const element = document.createElement(tag);
  element.className = name;
  if (text) element.textContent = text;
  return element;
}

function cardOf(entry) {
  return document.querySelector(`[data-waiting="${entry.id}"]`);
}

function show(entry, head, text, refused = false) {
  if (!outbox || (here && entry.joint !== here)) return;
  const pipe = entry.kind === "before";
  document.querySelector(pipe ? ".hint" : ".empty")?.remove();
  const card = made("article", `photo ${pipe ? "pipe " : ""}${refused ? "is-failed" : "is-waiting"}`);
  card.dataset.waiting = entry.id;
  card.setAttribute("aria-live", "polite");
  const top = made("header", "verdict");
  top.innerHTML = `<svg aria-hidden="true"><use href="#s-${refused ? "failed" : "checking"}"/></svg>`;
  const words = made("div", "");
  if (pipe) words.append(made("p", "what", "Marked pipe"));
  words.append(made("h2", "", head));
  top.append(words);
  const told = made("div", "told");
  told.append(made("p", "todo", text));
  if (!here) told.append(made("p", "soft", `Joint ${entry.joint}`));
  card.append(top, told);
  if (refused) card.append(choices(entry, card));
  const old = cardOf(entry);
  if (old) old.replaceWith(card); else placeOf(pipe).prepend(card);
}

// A photo waits where its answer will stand; that of a joint, whose verdict comes first, at the top.
function placeOf(pipe) {
  return (here && pipe && document.getElementById("pipes")) || outbox;
}

function choices(entry, card) {
  const more = made("p", "more");
  const again = made("button", "", "Send again");
  const away = made("button", "", "Remove from this phone");
  again.type = away.type = "button";
  again.onclick = async () => { await keep({ ...entry, refused: "" }); pump(); };
  away.onclick = async () => { await forget(entry.id); card.remove(); unsentChanged(); };
  more.append(again, away);
  return more;
}

function inSight(card) {
  if (card.classList.contains("pipe")) card.scrollIntoView({ block: "start", behavior: "smooth" });
  else window.scrollTo({ top: 0, behavior: "smooth" });
}

// --- sending -----------------------------------------------------------------------------------------------

let pumping = false;
let asked = false; // for another run, while one is under way
let pause = 1000;
let timer = 0;

async function pump() {
  asked = true;
  if (pumping) return;
  pumping = true;
  clearTimeout(timer);
  try {
    while (asked) {
      asked = false;
      await sendAll();
    }
  } finally {
    pumping = false;
    sendingIs(null);
    unsentChanged();
  }
}

async function sendAll() {
  let wait = "";
  unsentChanged();
  for (const entry of await waiting()) {
    if (entry.refused) show(entry, "Not taken", entry.refused, true);
    else if (wait) show(entry, "Kept here", wait);
    else if (!(await send(entry))) wait = "It is sent after the photo that was taken before it.";
  }
}

function later(entry, text) {
  show(entry, "Kept here", text);
  clearTimeout(timer);
  timer = setTimeout(pump, pause);
  pause = Math.min(2 * pause, LONGEST_PAUSE_MS);
  return false;
}

async function send(entry) {
  sendingIs(0);
  show(entry, "Sending…", "The photo is kept on this phone until it has arrived.");
  let answer;
  try {
    answer = await put(entry);
  } catch {
    return later(entry, "No connection. The photo is kept on this phone and sent when the connection is back.");
  }
  const { status, told } = answer;
  if (status >= 200 && status < 300) {
    if (!told) return later(entry, "The connection broke. The photo is kept on this phone and sent again.");
    pause = 1000;
    await arrived(entry, told);
    return true;
  }
  const text = told?.text ?? `The computer answered ${status}.`;
  if (status === 401) { show(entry, "Kept here", text); say(text); return false; }
  if (status === 408 || status === 429 || status >= 500) return later(entry, text);
  await keep({ ...entry, refused: text });
  show(entry, "Not taken", text, true);
  return true;
}

// Not by fetch, which does not tell how much has gone.
function put(entry) {
  return new Promise((resolve, reject) => {
    const request = new XMLHttpRequest();
    request.open("PUT", `/api/photos/${entry.id}?joint=${encodeURIComponent(entry.joint)}&kind=${entry.kind ?? "after"}`);
    request.setRequestHeader("Content-Type", entry.photo.type || "application/octet-stream");
    request.upload.onprogress = ({ lengthComputable, loaded, total }) => {
      if (lengthComputable) gone(entry, loaded / total);
    };
    request.onload = () => resolve({ status: request.status, told: parsed(request.responseText) });
    request.onerror = request.onabort = reject;
    request.send(entry.photo);
  });
}

function parsed(text) {
  try {
    return JSON.parse(text);
  } catch {
    return null;
  }
}

function gone(entry, share) {
  sendingIs(share);
  const told = cardOf(entry)?.querySelector(".told");
  if (!told) return;
  const bar = told.querySelector("progress") ?? told.appendChild(made("progress", ""));
  bar.setAttribute("aria-label", "Sent of this photo");
  bar.value = share;
}

async function arrived(entry, told) {
  await forget(entry.id);
  const card = cardOf(entry);
  if (!card) return;
  const pipe = told.kind === "before";
  const article = made("article", `photo ${pipe ? "pipe " : ""}is-checking`);
  article.dataset.photo = told.id;
  article.dataset.word = "checking";
  const twin = photoOf(told.id);
  if (twin) { card.remove(); follow(twin); return; }
  if (!here) { card.remove(); say(`The photo of ${entry.joint} has arrived.`); return; }
  article.append(...card.childNodes);
  article.querySelector("h2").textContent = "Looking…";
  article.querySelector("progress")?.remove();
  article.querySelector(".todo").textContent = "The photo has arrived. Some seconds.";
  if (pipe) card.replaceWith(article); else { card.remove(); first(article); }
  follow(article);
}

// The joint's own photos stand above those of its marked pipe, once there are any.
function first(article) {
  document.getElementById("photos").prepend(article);
  document.querySelector(".pipes").before(document.querySelector(".made"));
}

function photoOf(id) {
  return document.querySelector(`article[data-photo="${id}"]`);
}

// --- answers -------------------------------------------------------------------------------------------------

const followed = new WeakSet();

// quiet: the photo is another phone's, and whoever reads or writes here is not to be taken away to it.
async function follow(article, quiet = false) {
  if (followed.has(article)) return;
  followed.add(article);
  for (let turn = 0; turn < 200 && article.isConnected; turn += 1) {
    try {
      const answer = await fetch(`/api/photos/${article.dataset.photo}?wait=15`);
      if (answer.status === 401) { say((await answer.json()).text); return; }
      if (answer.ok && (await answer.json()).state !== "kept") { await replaced(article, quiet); return; }
    } catch {
      // No connection: asked again like any other.
    }
    await sleep(2000); // also after an answer: one that could not wait comes at once, and would be asked for without end
  }
}

async function replaced(article, quiet) {
  const answer = await fetch(`/part/photo?photo=${article.dataset.photo}`);
  if (!answer.ok) { await sleep(1500); return replaced(article, quiet); }
  const holder = document.createElement("template");
  holder.innerHTML = await answer.text(); // our own page, escaped where it was made
  const fresh = holder.content.firstElementChild;
  article.replaceWith(fresh);
  sayAgain(fresh.classList.contains("pipe"));
  if (!quiet) inSight(fresh);
  await renewed();
}

function sayAgain(pipe) {
  const shot = document.querySelector(pipe ? ".calm span" : ".main.shot span");
  if (shot) shot.textContent = pipe ? "Marked pipe again" : "Joint again";
}

// One photo may change what is said of the joint and of its other photos: those of a marked pipe above all.
async function renewed() {
  if (document.querySelector(".title")) await wholeNow().then(takeOver).catch(() => {});
}

export async function wholeNow() {
  const answer = await fetch(location.href);
  if (!answer.ok) throw new Error(`The computer answered ${answer.status}.`);
  return new DOMParser().parseFromString(await answer.text(), "text/html");
}

// What the page tells becomes what the computer's page tells now; forms, and photos under way, stay as they are.
export function takeOver(whole) {
  tellMeanwhile(whole);
  for (const part of [".title", ".tally", ".joints"]) {
    const [old, fresh] = [document, whole].map((page) => page.querySelector(part));
    if (old && fresh && wordsOf(old) !== wordsOf(fresh)) old.replaceWith(document.importNode(fresh, true));
  }
  for (const list of ["photos", "pipes"]) {
    const ours = document.getElementById(list);
    let above = null;
    for (const card of whole.querySelectorAll(`#${list} > article`)) above = cardTaken(card, ours, above);
  }
}

function cardTaken(card, list, above) {
  const old = photoOf(card.dataset.photo);
  if (old && (followed.has(old) || wordsOf(old) === wordsOf(card))) return old;
  const fresh = document.importNode(card, true);
  if (old) old.replaceWith(fresh);
  else if (above) above.after(fresh);
  else if (list.id === "photos") first(fresh);
  else list.prepend(fresh);
  if (!old) { document.querySelector(list.id === "photos" ? ".empty" : ".hint")?.remove(); sayAgain(list.id === "pipes"); }
  if (fresh.dataset.word === "checking") follow(fresh, true);
  return fresh;
}

export function wordsOf(card) {
  return card.textContent.replace(/\s+/g, " ").trim();
}

function sleep(ms) {
  return new Promise((done) => setTimeout(done, ms));
}

// --- what people do --------------------------------------------------------------------------------------------

async function taken(event) {
  const input = event.target;
  const [file] = input.files;
  if (!file) { choosingIs(false); return; }
  // The bytes themselves: a phone may take a camera's file away again.
  const photo = new Blob([await file.arrayBuffer()], { type: file.type });
  const entry = { id: newId(), joint: input.dataset.joint, kind: input.dataset.kind, photo, made: Date.now(),
    refused: "" };
  input.value = "";
  if (!(await keep(entry))) {
    say("This phone can't keep photos for later. Stay on this page until the photo is sent.");
  }
  show(entry, "Sending…", "The photo is kept on this phone until it has arrived.");
  choosingIs(false);
  inSight(cardOf(entry));
  pump();
}

document.querySelectorAll(".shot input").forEach((shot) => {
  // With the page, a choice that is still open would go: the photo that comes back from the camera, too.
  shot.addEventListener("click", () => choosingIs(true));
  shot.addEventListener("cancel", () => choosingIs(false));
  shot.addEventListener("change", taken);
  // On a slow connection a photo can be taken before this script is there.
  if (shot.files.length) taken({ target: shot });
});

document.addEventListener("click", async (event) => {
  const button = event.target.closest("[data-again], [data-unplace]");
  if (!button) return;
  const again = button.dataset.again;
  const answer = await fetch(again ? `/api/photos/${again}/again` : `/api/photos/${button.dataset.unplace}/lines`,
    { method: again ? "POST" : "DELETE" }).catch(() => null);
  if (!answer) { sayUntilBack("No connection. Try again."); return; }
  if (!answer.ok) { say((await answer.json()).text); return; }
  follow(button.closest("article"));
});

window.addEventListener("online", () => { pause = 1000; pump(); });
window.addEventListener("pageshow", (event) => {
  if (event.persisted) pump();
});
document.querySelectorAll('[data-word="checking"]').forEach(follow);
pump();
