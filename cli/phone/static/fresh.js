// What other phones, and people at the computer, have done since: asks whether the page still tells what is so, and
// loads it again where it doesn't; never while a photo is under way or a form is being filled in.

import { isChoosing, isSending } from "./stay.js";

const PERIOD_MS = 10000;
const TOLD = ".title, article[data-photo], .tally, .joints";
const { mark, of } = document.body.dataset;

let known = mark;
let asking = false;

function isBusy() {
  return isSending() || isChoosing() || document.querySelector('[data-waiting], [data-word="checking"]') || document.activeElement?.matches("#name")
    || [...document.querySelectorAll("input:not([type=hidden])")]
      .some((input) => input.checked !== input.defaultChecked || input.value !== input.defaultValue);
}

async function ask() {
  if (asking || document.hidden || isBusy()) return;
  asking = true;
  try {
    const answer = await fetch(`/api/mark?joint=${encodeURIComponent(of)}`);
    if (answer.ok) await heed((await answer.json()).mark);
  } catch {
    // No connection: asked again like any other time.
  }
  asking = false;
}

async function heed(now) {
  if (now === known) return;
  const page = new DOMParser().parseFromString(await (await fetch(location.href)).text(), "text/html");
  if (wordsOf(page) === wordsOf(document)) known = now;
  else if (!isBusy()) location.reload();
}

function wordsOf(page) {
  const words = [...page.querySelectorAll(TOLD)].map((part) => part.textContent.replace(/\s+/g, " ").trim());
  return JSON.stringify([words, [...page.querySelectorAll("[name^=was-]")].map(({ name, value }) => [name, value])]);
}

if (mark) {
  setInterval(ask, PERIOD_MS);
  document.addEventListener("visibilitychange", ask);
  window.addEventListener("pageshow", (event) => { if (event.persisted) ask(); });
}
