// Answers of the checklist lie on the phone until the server has them, however the page is left before.

const form = document.getElementById("checklist");
const inputs = form ? [...form.querySelectorAll("input[type=radio]")] : [];
const key = form && `checklist ${form.dataset.site} ${form.joint.value}`;

// Only what was answered here: what another phone has answered since must not be undone by it.
function changes() {
  const changed = inputs.filter((input) => input.checked && !input.defaultChecked);
  return Object.fromEntries(changed.map(({ name, value }) => [name, value]));
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
  for (const input of inputs) if (input.name in draft) input.checked = draft[input.name] === input.value;
  if (Object.keys(changes()).length) sayUnkept(); else stored((store) => store.removeItem(key));
}

function sayUnkept() {
  const back = document.createElement("button");
  back.type = "button";
  back.textContent = "Drop them";
  back.onclick = () => { stored((store) => store.removeItem(key)); form.reset(); state.replaceChildren(before); };
  state.replaceChildren("Not kept yet: these answers are on this phone alone. ", back);
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
