// What other phones, and people at the computer, have done since: asks whether the page still tells what is so, and
// loads it again where it doesn't.  While a photo is under way or a form is being filled in, only what it tells is
// taken over into the page that stands there.

import { takeOver, wholeNow, wordsOf } from "./app.js";
import { isChoosing, isSending } from "./stay.js";

const PERIOD_MS = 10000;
const TOLD = ".title, article[data-photo], .tally, .joints";
const { mark, of } = document.body.dataset;

let known = mark;
let asking = false;

function isBusy() {
  return isSending() || isChoosing() || document.querySelector('[data-waiting], [data-word="checking"]')
    || document.activeElement?.matches("#name")
    || [...document.querySelectorAll("input:not([type=hidden])")]
      .some((input) => input.checked !== input.defaultChecked || input.value !== input.defaultValue);
}

async function ask() {
  if (asking || document.hidden) return;
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
  const page = await wholeNow();
  if (told(page) !== told(document)) {
    if (!isBusy()) { location.reload(); return; }
    takeOver(page);
  }
  if (told(page) === told(document)) known = now;
}

function told(page) {
  const words = [...page.querySelectorAll(TOLD)].map(wordsOf);
  return JSON.stringify([words, [...page.querySelectorAll("[name^=was-]")].map(({ name, value }) => [name, value])]);
}

if (mark) {
  setInterval(ask, PERIOD_MS);
  document.addEventListener("visibilitychange", ask);
  window.addEventListener("pageshow", (event) => { if (event.persisted) ask(); });
}
