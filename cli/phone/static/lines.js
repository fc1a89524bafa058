// Placing lines: four lines, two ends each, one line at a time.  A finger hides what it points at, so the chosen end
// moves with a finger put down anywhere, and a glass shows what lies under it.  Arrow keys move it by a pixel.

const LINES = [
  ["collar", 0, "Collar, one side", "Put both ends on the collar's edge, seen against the ground."],
  ["collar", 1, "Collar, other side", "The other edge of the collar, opposite the first."],
  ["mouth", null, "Mouth", "Both ends where the pipe goes into the collar, one third in from each side of the pipe."],
  ["mark", null, "Mark, near edge", "The mark's edge nearer to the collar. If you don't see the mark yourself, stop: lines prove nothing."],
];
const COLOURS = ["#ffffff", "#ffffff", "#40e0ff", "#ff6eb4"];
const FINE = 0.5; // of the finger's way: finer than a finger
const GLASS_ZOOM = 3;
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
  document.body.classList.toggle("last", last);
  before.disabled = line === 0;
  draw();
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
  if (!picture?.complete) return;
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
  const small = glass.getContext("2d");
  paint(small, glass.width, glass.height, 1, view.zoom * GLASS_ZOOM, ends[line][chosen], true);
  glass.classList.toggle("right", onStage(ends[line][chosen])[0] < w / 2 && onStage(ends[line][chosen])[1] < h / 2);
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

let finger = null;

stage.addEventListener("pointerdown", (event) => {
  if (!picture) return;
  const box = stage.getBoundingClientRect();
  const at = [event.clientX - box.left, event.clientY - box.top];
  const far = ends[line].map((end) => Math.hypot(onStage(end)[0] - at[0], onStage(end)[1] - at[1]));
  chosen = far[0] <= far[1] ? 0 : 1;
  buttons[line][chosen].focus({ preventScroll: true });
  finger = { id: event.pointerId, x: event.clientX, y: event.clientY };
  stage.setPointerCapture(event.pointerId);
  event.preventDefault();
  draw();
});
stage.addEventListener("pointermove", (event) => {
  if (finger?.id !== event.pointerId) return;
  const [dx, dy] = [event.clientX - finger.x, event.clientY - finger.y];
  finger = { id: event.pointerId, x: event.clientX, y: event.clientY };
  const way = Math.hypot(dx, dy) > 12 ? 1 : FINE; // a fast finger goes far, a slow one goes fine
  move((dx * way) / view.zoom, (dy * way) / view.zoom);
});
for (const end of ["pointerup", "pointercancel"]) stage.addEventListener(end, () => { finger = null; });

document.addEventListener("keydown", (event) => {
  const way = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[event.key];
  if (!way || !document.activeElement?.classList.contains("handle")) return;
  const far = (event.shiftKey ? 10 : 1) / scale; // pixels of the photo
  move(way[0] * far, way[1] * far);
  event.preventDefault();
});
document.querySelectorAll("[data-nudge]").forEach((button) => button.addEventListener("click", () => {
  const [dx, dy] = button.dataset.nudge.split(" ").map(Number);
  move(dx / scale, dy / scale);
}));
document.querySelectorAll("[data-zoom]").forEach((button) => button.addEventListener("click", () => {
  const [x, y] = ends[line][chosen];
  view = { x, y, zoom: Math.min(12, Math.max(0.1, view.zoom * Number(button.dataset.zoom))) };
  draw();
}));
window.addEventListener("resize", draw);

// --- measuring ----------------------------------------------------------------------------------------------

before.addEventListener("click", () => { if (line) choose(line - 1, 0); });
after.addEventListener("click", () => {
  if (!picture || !mayGoOn()) return;
  if (line < LINES.length - 1) { choose(line + 1, 0); return; }
  measure();
});
who.addEventListener("submit", (event) => { event.preventDefault(); if (mayGoOn()) measure(); });
right.addEventListener("click", () => { confirmed[line] = !confirmed[line]; draw(); });

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
