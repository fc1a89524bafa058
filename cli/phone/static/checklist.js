// Answers of the checklist lie on the phone until the server has them, however the page is left before.

const form = document.getElementById("checklist");
const inputs = form ? [...form.querySelectorAll("input[type=radio]")] : [];
const key = form && `checklist ${form.dataset.site} ${form.joint.value}`;

// Only what was answered here, and over what: what another phone has answered since must not be undone by it.
function changes() {
  const changed = inputs.filter((input) => input.checked && !input.defaultChecked);
  return Object.fromEntries(changed.flatMap(({ name, value }) => [[name, value], [`was-${name}`, stood(name)]]));
}

function stood(name, page = document) {
  return page.querySelector(`[name="was-${name}"]`)?.value ?? "";
}

// A phone that keeps nothing for its pages loses no more than before.
function stored(work) {
  try {
    return work(localStorage);
  } catch {
    return null;
  }
}

function begin() {
  const draft = JSON.parse(stored((store) => store.getItem(key)) ?? "{}");
  const open = inputs.filter(({ name, value, defaultChecked }) => draft[name] === value && !defaultChecked);
  open.forEach((input) => takeUp(input, draft[`was-${input.name}`]));
  if (open.length) sayUnkept(); else stored((store) => store.removeItem(key));
}

function takeUp(input, was = stood(input.name)) {
  const now = stood(input.name);
  if (was === now) input.checked = true;
  else tell(input.name, `Meanwhile answered: ${wordOf(input.name, now)}. Before that you chose `
    + `${wordOf(input.name, input.value)} on this phone: choose again if that is right.`);
}

function wordOf(name, value) {
  return inputs.find((input) => input.name === name && input.value === value)?.nextElementSibling.textContent ?? "nothing";
}

function tell(name, text) {
  const choice = inputs.find((input) => input.name === name).closest(".choice");
  const told = document.createElement("p");
  told.className = "todo meanwhile";
  told.setAttribute("role", "status");
  told.textContent = text;
  const old = choice.parentElement.querySelector(".meanwhile");
  if (old?.textContent === text) return; // said again, it would be read out again
  old?.remove();
  choice.before(told);
}

// For a page that can't be loaded again, since it is being filled in.
export function tellMeanwhile(whole) {
  for (const name of new Set(inputs.map((input) => input.name))) {
    const now = stood(name, whole);
    if (now !== stood(name)) tell(name, `Meanwhile answered: ${wordOf(name, now)}.`);
  }
}

function sayUnkept() {
  const back = document.createElement("button");
  back.type = "button";
  back.textContent = "Drop them";
  back.onclick = drop;
  state.replaceChildren("Not kept yet: these answers are on this phone alone. ", back);
}

function drop() {
  stored((store) => store.removeItem(key));
  form.reset();
  form.querySelectorAll(".meanwhile").forEach((told) => told.remove());
  state.replaceChildren(before);
}

const state = form?.querySelector("[role=status]");
const before = state?.textContent;

if (form) {
  begin();
  form.addEventListener("change", () => {
    stored((store) => store.setItem(key, JSON.stringify(changes())));
    sayUnkept();
  });
}
