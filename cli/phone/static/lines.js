// Placing lines: four lines, two ends each, one line at a time.  An end moves with a finger that was put down on its
// ring, and with no other: one put down elsewhere moves the picture, two enlarge it.  A finger hides what it points at,
// so a glass shows what lies under it.  Arrow keys move an end by a pixel.

const LINES = [
  ["collar", 0, "Collar, one side", "Drag both rings onto the collar's edge, seen against the ground. Two fingers enlarge."],
  ["collar", 1, "Collar, other side", "The other edge of the collar, opposite the first."],
  ["mouth", null, "Mouth", "Both ends where the pipe goes into the collar, one third in from each side of the pipe."],
  ["mark", null, "Mark, near edge", "The mark's edge nearer to the collar. If you don't see the mark yourself, stop: lines prove nothing."],
];
const COLOURS = ["#ffffff", "#ffffff", "#40e0ff", "#ff6eb4"];
const FINE = 0.5; // of the finger's way: finer than a finger
const REACH_PX = 32; // of a ring, for a finger
const RING_PX = 24; // what the glass leaves free about an end
const GLASS_ZOOM = 3;
const GLASS_PX = 132;
const ZOOMS = [0.1, 12];
const HAND_PX = 1.3; // standard uncertainty of an end, in pixels of the picture that is shown

const stage = document.getElementById("stage");
const canvas = document.getElementById("picture");
const glass = document.getElementById("glass");
const holder = document.getElementById("handles");
const step = document.getElementById("step");
const help = document.getElementById("help");
const who = document.getElementById("who");
const before = document.getElementById("before");
const after = document.getElementById("after");
const right = document.getElementById("right");
const undo = document.getElementById("undo");
const photo = stage.dataset.photo;

let picture = null; // the preview
let scale = 1; // photo pixels per preview pixel
let sizePx = [0, 0];
let ends = []; // [line][end] = [x, y] in preview pixels
let begun = []; // where they lay before anybody moved them
let suggested = false; // whether something was found that a person may say lies right
const confirmed = LINES.map(() => false);
let line = 0;
let chosen = 0;
let view = { x: 0, y: 0, zoom: 1 }; // preview pixel at the stage's middle, and css pixels per preview pixel
let buttons = [];
let moves = []; // of { line, end, from }, the last one last
let corner = [0, 0]; // where the glass lies on the stage

const toPreview = (value) => (value + 0.5) / scale - 0.5; // centres of pixels, see the photo's own convention
const toPhoto = (value) => Math.round(((value + 0.5) * scale - 0.5) * 100) / 100;

async function begin() {
  const answer = await fetch(`/api/photos/${photo}/preview`);
  if (!answer.ok) { fail((await answer.json()).text); return; }
  const told = await answer.json();
  sizePx = told.size_px;
  picture = new Image();
  picture.src = `/api/photos/${photo}/preview.jpg`;
  await picture.decode();
  scale = sizePx[0] / picture.naturalWidth;
  suggested = Boolean(told.start);
  ends = suggested ? started(told.start) : middle();
  begun = ends.map((pair) => pair.map((end) => [...end]));
  who.placed_by.value = localStorage.getItem("placed_by") ?? "";
  document.body.classList.remove("nothing");
  makeHandles();
  choose(0, 0);
  look();
}

function started(start) {
  const points = [start.collar[0], start.collar[1], start.mouth, start.mark];
  return points.map((pair) => pair.map(([x, y]) => inside([toPreview(x), toPreview(y)])));
}

function middle() {
  const [w, h] = [picture.naturalWidth, picture.naturalHeight];
  const at = (x, y) => [w * x, h * y];
  return [[at(0.3, 0.35), at(0.48, 0.35)], [at(0.3, 0.65), at(0.48, 0.65)], [at(0.5, 0.42), at(0.5, 0.58)],
    [at(0.55, 0.42), at(0.55, 0.58)]];
}

function inside([x, y]) {
  return [Math.min(Math.max(x, 0), picture.naturalWidth - 1), Math.min(Math.max(y, 0), picture.naturalHeight - 1)];
}

function fail(text) {
  document.body.classList.add("nothing");
  step.textContent = "That did not work";
  help.textContent = text;
}

// --- what is shown -----------------------------------------------------------------------------------------

function makeHandles() {
  holder.replaceChildren();
  buttons = LINES.map(([, , name], which) => [0, 1].map((end) => {
    const button = document.createElement("button");
    button.type = "button";
    button.className = "handle";
    button.setAttribute("aria-label", `${name}: end ${end + 1}. Arrow keys move it.`);
    button.addEventListener("focus", () => { if (line === which) choose(which, end); });
    holder.append(button);
    return button;
  }));
}

function choose(which, end) {
  line = which;
  chosen = end;
  const last = line === LINES.length - 1;
  step.textContent = `${line + 1} of ${LINES.length}: ${LINES[line][2]}`;
  help.textContent = LINES[line][3];
  after.firstElementChild.textContent = last ? "Measure" : "Next line";
  who.hidden = !last;
  before.disabled = line === 0;
  if (ends[line].every(inSight)) draw(); else look();
}

function inSight(end) {
  const [x, y] = onStage(end);
  return x > 0 && y > 0 && x < stage.clientWidth && y < stage.clientHeight;
}

function look() {
  // All that is to be placed, with room around it; the whole picture where nothing was found.
  const all = ends.flat();
  const [xs, ys] = [all.map((p) => p[0]), all.map((p) => p[1])];
  const room = 1.5 * Math.max(Math.max(...xs) - Math.min(...xs), Math.max(...ys) - Math.min(...ys), 60);
  view = { x: (Math.max(...xs) + Math.min(...xs)) / 2, y: (Math.max(...ys) + Math.min(...ys)) / 2,
    zoom: Math.min(stage.clientWidth, stage.clientHeight) / room };
  draw();
}

const onStage = ([x, y]) => [(x - view.x) * view.zoom + stage.clientWidth / 2,
  (y - view.y) * view.zoom + stage.clientHeight / 2];

function draw() {
  if (!buttons.length) return;
  const dense = Math.min(window.devicePixelRatio || 1, 2);
  const [w, h] = [stage.clientWidth, stage.clientHeight];
  canvas.width = w * dense;
  canvas.height = h * dense;
  const pen = canvas.getContext("2d");
  paint(pen, w, h, dense, view.zoom, [view.x, view.y], false);
  buttons.forEach((pair, which) => pair.forEach((button, end) => {
    const [x, y] = onStage(ends[which][end]);
    button.style.left = `${x}px`;
    button.style.top = `${y}px`;
    button.hidden = which !== line;
    button.setAttribute("aria-pressed", String(which === line && end === chosen));
  }));
  showSettled();
  undo.disabled = !moves.length;
  placeGlass(w, h);
  paint(glass.getContext("2d"), glass.width, glass.height, 1, view.zoom * GLASS_ZOOM, ends[line][chosen], true);
}

// In a corner where it covers neither end; it stays there as long as that is so.
function placeGlass(w, h) {
  const size = Math.round(Math.min(GLASS_PX, 0.42 * Math.min(w, h)));
  const room = ([x, y]) => Math.min(...ends[line].map((end) => apart(onStage(end), [x + size / 2, y + size / 2])));
  const corners = [[0, 0], [w - size, 0], [0, h - size], [w - size, h - size]];
  const least = size / 2 + RING_PX;
  const stays = corners.find((each) => apart(each, corner) < 1 && room(each) >= least);
  corner = stays ?? corners.reduce((one, other) => (room(other) > room(one) ? other : one));
  glass.hidden = room(corner) < least;
  glass.width = glass.height = size;
  [glass.style.left, glass.style.top] = corner.map((value) => `${value}px`);
}

function apart([ax, ay], [bx, by]) {
  return Math.hypot(ax - bx, ay - by);
}

function paint(pen, w, h, dense, zoom, [x, y], cross) {
  pen.setTransform(dense, 0, 0, dense, 0, 0);
  pen.clearRect(0, 0, w, h);
  pen.imageSmoothingEnabled = zoom < 4;
  pen.setTransform(dense * zoom, 0, 0, dense * zoom, dense * (w / 2 - (x + 0.5) * zoom), dense * (h / 2 - (y + 0.5) * zoom));
  pen.drawImage(picture, 0, 0);
  pen.setTransform(dense, 0, 0, dense, 0, 0);
  const at = (p) => [(p[0] - x) * zoom + w / 2, (p[1] - y) * zoom + h / 2];
  ends.forEach((pair, which) => {
    const [[ax, ay], [bx, by]] = pair.map(at);
    for (const [width, colour] of [[which === line ? 5 : 3, "#000000"], [which === line ? 2.5 : 1.5, COLOURS[which]]]) {
      pen.lineWidth = width;
      pen.strokeStyle = colour;
      pen.setLineDash(which === line || width > 2.5 ? [] : [6, 5]);
      pen.beginPath();
      pen.moveTo(ax, ay);
      pen.lineTo(bx, by);
      pen.stroke();
    }
    pen.setLineDash([]);
    if (which !== line || cross) return;
    [[ax, ay], [bx, by]].forEach(([cx, cy], end) => ring(pen, cx, cy, end === chosen));
  });
  if (cross) {
    pen.strokeStyle = "#ffd600";
    pen.lineWidth = 1.5;
    pen.beginPath();
    pen.moveTo(w / 2, h / 2 - 22); pen.lineTo(w / 2, h / 2 - 5); pen.moveTo(w / 2, h / 2 + 5); pen.lineTo(w / 2, h / 2 + 22);
    pen.moveTo(w / 2 - 22, h / 2); pen.lineTo(w / 2 - 5, h / 2); pen.moveTo(w / 2 + 5, h / 2); pen.lineTo(w / 2 + 22, h / 2);
    pen.stroke();
  }
}

function ring(pen, x, y, strong) {
  for (const [width, colour] of [[6, "#000000"], [3, strong ? "#ffd600" : "#ffffff"]]) {
    pen.lineWidth = width;
    pen.strokeStyle = colour;
    pen.beginPath();
    if (strong) pen.arc(x, y, 15, 0, 2 * Math.PI); else pen.rect(x - 10, y - 10, 20, 20);
    pen.stroke();
  }
}

// A line counts as placed only where a person moved it or said that it lies right: else the program would measure by
// its own guess under that person's name.
function settled(which) {
  const moved = ends[which].some((end, k) => end.some((value, axis) => value !== begun[which][k][axis]));
  return moved ? "moved" : confirmed[which] ? "confirmed" : "untouched";
}

function showSettled() {
  const how = settled(line);
  right.textContent = { untouched: "It lies right", confirmed: "✓ It lies right", moved: "✓ Moved" }[how];
  right.disabled = how === "moved";
  right.setAttribute("aria-pressed", String(how !== "untouched"));
  right.hidden = !suggested && how === "untouched";
  after.classList.toggle("waits", how === "untouched");
}

// --- moving ------------------------------------------------------------------------------------------------

function move(dx, dy) {
  const [x, y] = ends[line][chosen];
  ends[line][chosen] = inside([x + dx, y + dy]);
  draw();
}

function nudge(dx, dy) {
  moves.push({ line, end: chosen, from: ends[line][chosen] });
  move(dx, dy);
}

undo.addEventListener("click", () => {
  const last = moves.pop();
  if (!last) return;
  ends[last.line][last.end] = last.from;
  choose(last.line, last.end);
});

// --- fingers -----------------------------------------------------------------------------------------------

const fingers = new Map(); // by their numbers, where they are on the stage
let held = null; // the move that a finger on a ring is making

const underFinger = ({ clientX, clientY }) => {
  const box = stage.getBoundingClientRect();
  return [clientX - box.left, clientY - box.top];
};

stage.addEventListener("pointerdown", (event) => {
  const at = underFinger(event);
  fingers.set(event.pointerId, at);
  stage.setPointerCapture(event.pointerId);
  event.preventDefault();
  if (fingers.size === 1) take(at); else letGo();
});
stage.addEventListener("pointermove", (event) => {
  const from = fingers.get(event.pointerId);
  if (!from) return;
  const at = underFinger(event);
  const [dx, dy] = [at[0] - from[0], at[1] - from[1]];
  const other = [...fingers].find(([id]) => id !== event.pointerId)?.[1];
  fingers.set(event.pointerId, at);
  if (other) pinch(other, from, at);
  else if (held) drag(dx, dy);
  else turnTo([view.x - dx / view.zoom, view.y - dy / view.zoom], view.zoom);
});
stage.addEventListener("pointerup", (event) => {
  fingers.delete(event.pointerId);
  if (held && apart(held.from, ends[held.line][held.end])) moves.push(held);
  held = null;
  draw();
});
stage.addEventListener("pointercancel", (event) => {
  fingers.delete(event.pointerId);
  letGo();
});

function take(at) {
  const far = ends[line].map((end) => apart(onStage(end), at));
  const nearest = far[0] <= far[1] ? 0 : 1;
  if (far[nearest] > REACH_PX) return;
  chosen = nearest;
  held = { line, end: chosen, from: ends[line][chosen] };
  buttons[line][chosen].focus({ preventScroll: true });
  draw();
}

// A second finger came, or none is there any more: that was no move of an end.
function letGo() {
  if (held) ends[held.line][held.end] = held.from;
  held = null;
  draw();
}

function drag(dx, dy) {
  const way = Math.hypot(dx, dy) > 12 ? 1 : FINE; // a fast finger goes far, a slow one goes fine
  move((dx * way) / view.zoom, (dy * way) / view.zoom);
}

// What lay between two fingers lies between them afterwards.
function pinch(other, from, at) {
  const zoom = within(view.zoom * (apart(other, at) / Math.max(apart(other, from), 1)));
  const shift = [0, 1].map((axis) => {
    const half = [stage.clientWidth, stage.clientHeight][axis] / 2;
    return ((other[axis] + from[axis]) / 2 - half) / view.zoom - ((other[axis] + at[axis]) / 2 - half) / zoom;
  });
  turnTo([view.x + shift[0], view.y + shift[1]], zoom);
}

const within = (zoom) => Math.min(ZOOMS[1], Math.max(ZOOMS[0], zoom));

function turnTo(middle, zoom) {
  const [x, y] = inside(middle);
  view = { x, y, zoom };
  draw();
}

// --- keys and buttons --------------------------------------------------------------------------------------

document.addEventListener("keydown", (event) => {
  const way = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[event.key];
  if (!way || !document.activeElement?.classList.contains("handle")) return;
  const far = (event.shiftKey ? 10 : 1) / scale; // pixels of the photo
  nudge(way[0] * far, way[1] * far);
  event.preventDefault();
});
document.querySelectorAll("[data-nudge]").forEach((button) => button.addEventListener("click", () => {
  const [dx, dy] = button.dataset.nudge.split(" ").map(Number);
  nudge(dx / scale, dy / scale);
}));
document.querySelectorAll("[data-zoom]").forEach((button) => button.addEventListener("click", () => {
  turnTo(ends[line][chosen], within(view.zoom * Number(button.dataset.zoom)));
}));
new ResizeObserver(draw).observe(stage);

// --- measuring ----------------------------------------------------------------------------------------------

before.addEventListener("click", () => { if (line) turnPage(line - 1); });
after.addEventListener("click", () => {
  if (!mayGoOn()) return;
  if (line < LINES.length - 1) { turnPage(line + 1); return; }
  measure();
});
who.addEventListener("submit", (event) => { event.preventDefault(); if (mayGoOn()) measure(); });
right.addEventListener("click", () => { confirmed[line] = !confirmed[line]; draw(); });

function turnPage(which) {
  choose(which, 0);
  window.scrollTo({ top: 0 }); // what to do stands there, and large text may have moved it away
}

function mayGoOn() {
  if (settled(line) !== "untouched") return true;
  help.textContent = `First move the line${suggested ? ", or say that it lies right" : ""}. ${LINES[line][3]}`;
  return false;
}

async function measure() {
  if (!who.reportValidity()) return;
  const name = who.placed_by.value.trim();
  localStorage.setItem("placed_by", name);
  const points = ends.map((pair) => pair.map(([x, y]) => [toPhoto(x), toPhoto(y)]));
  const [one, other, mouth, mark] = LINES.map((_, which) => settled(which));
  const lines = { placed_by: name, settled: { collar: [one, other], mouth, mark }, size_px: sizePx,
    point_u_px: Math.max(1, Math.round(HAND_PX * scale * 100) / 100),
    collar: [points[0], points[1]], mouth: points[2], mark: points[3] };
  after.disabled = true;
  help.textContent = "Measuring…";
  try {
    const answer = await fetch(`/api/photos/${photo}/lines`,
      { method: "PUT", headers: { "Content-Type": "application/json" }, body: JSON.stringify(lines) });
    if (!answer.ok) { help.textContent = (await answer.json()).text; return; }
    location.assign(`/joint?name=${encodeURIComponent(stage.dataset.joint)}`);
  } catch {
    help.textContent = "No connection. The lines stay here; press Measure again when it is back.";
  } finally {
    after.disabled = false;
  }
}

begin().catch(() => fail("No connection. Reload the page when it is back."));
