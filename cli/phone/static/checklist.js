// Answers of the checklist lie on the phone until the server has them, however the page is left before.

const form = document.getElementById("checklist");
const inputs = form ? [...form.querySelectorAll("input[type=radio]")] : [];
const key = form && `checklist ${form.dataset.site} ${form.joint.value}`;

function answers(which) {
  return Object.fromEntries(inputs.filter((input) => input[which]).map(({ name, value }) => [name, value]));
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
  const draft = stored((store) => store.getItem(key));
  if (!draft || draft === JSON.stringify(answers("defaultChecked"))) { stored((store) => store.removeItem(key)); return; }
  const said = JSON.parse(draft);
  for (const input of inputs) if (input.name in said) input.checked = said[input.name] === input.value;
  sayUnkept();
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
    stored((store) => store.setItem(key, JSON.stringify(answers("checked"))));
    sayUnkept();
  });
}
