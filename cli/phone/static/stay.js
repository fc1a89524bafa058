// Leaving a page only where that does no harm: the computer has to be reachable, else the browser would put its own
// error page in place of ours, and no photo may be under way, since a page that is left sends no further.

import { howMany } from "./store.js";

const LONGEST_ASK_MS = 10000;
const AGAIN_MS = 3000;
const PATIENCE_MS = 700; // before it is said that the computer is being asked

const notice = document.getElementById("notice");
const unsent = document.getElementById("unsent");

let sending = null; // the share that has gone of the photo under way, or null
let wanted = null; // where somebody wants to go, once the photo has arrived
let asking = false;
let departing = false;
let choosing = false; // a photo is being taken, and not kept on the phone yet

export function say(text, ...more) {
  notice.replaceChildren(text, ...more);
  notice.hidden = !text;
}

export function sendingIs(share) {
  sending = share;
  showShare();
  if (share === null && wanted) leave(wanted);
}

export function isSending() {
  return sending !== null;
}

export function choosingIs(so) {
  choosing = so;
}

export function isChoosing() {
  return choosing;
}

export async function unsentChanged() {
  const count = await howMany();
  unsent.firstElementChild.textContent = `${count} photo${count > 1 ? "s" : ""} not sent yet`;
  unsent.hidden = !count;
}

function showShare() {
  // All is gone from the phone before all has arrived.
  const told = sending === 1 ? " · one on its way" : ` · ${Math.floor(100 * sending)} % of one sent`;
  unsent.lastElementChild.textContent = sending ? told : "";
}

async function leave(go) {
  if (asking) return;
  wanted = null;
  if (sending !== null) { waitFor(go); return; }
  asking = true;
  const slow = setTimeout(() => say("Asking the computer…"), PATIENCE_MS);
  const there = await reachable();
  clearTimeout(slow);
  asking = false;
  if (there) depart(go);
  else sayUntilBack("No connection. You are still on this page, and nothing on it is lost. Try again when it is back.");
}

// Said until the computer answers again, or something else is said.
export async function sayUntilBack(text) {
  say(text);
  const said = notice.firstChild;
  do await new Promise((done) => setTimeout(done, AGAIN_MS)); while (said.isConnected && !(await reachable()));
  if (said.isConnected) say("");
}

function depart(go) {
  departing = true;
  say("");
  go();
}

function waitFor(go) {
  wanted = go;
  say("A photo is being sent. This goes on by itself when it has arrived; if you leave now, it is sent from its "
    + "beginning another time.", choice("Leave now", () => depart(go)), choice("Stay here", () => { wanted = null; say(""); }));
}

function choice(text, act) {
  const button = document.createElement("button");
  button.type = "button";
  button.textContent = text;
  button.onclick = act;
  return button;
}

async function reachable() {
  const stop = new AbortController();
  const timer = setTimeout(() => stop.abort(), LONGEST_ASK_MS);
  try {
    await fetch("/static/icon.svg", { method: "HEAD", cache: "no-store", signal: stop.signal });
    return true;
  } catch {
    return false;
  } finally {
    clearTimeout(timer);
  }
}

document.addEventListener("click", (event) => {
  const link = event.target.closest("a[href]");
  const usual = !event.defaultPrevented && !event.ctrlKey && !event.metaKey && !event.shiftKey && !event.altKey;
  if (!link || !usual || link.target || link.origin !== location.origin) return;
  event.preventDefault();
  leave(() => location.assign(link.href));
});

document.addEventListener("submit", (event) => {
  const { target: form, submitter } = event;
  if (departing || event.defaultPrevented || !form.requestSubmit) return;
  event.preventDefault();
  leave(() => form.requestSubmit(submitter));
});

window.addEventListener("beforeunload", (event) => {
  if (sending !== null && !departing) event.preventDefault();
});
window.addEventListener("pageshow", () => { departing = asking = false; });

// What stands above the bar has to know how high it is, and large text makes it higher.
const bar = document.querySelector(".bar");
if (bar) new ResizeObserver(() => document.documentElement.style.setProperty("--bar", `${bar.offsetHeight}px`)).observe(bar);

unsentChanged();
