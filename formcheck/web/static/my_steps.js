// A form that asks one question at a time, with the way back; without script all of it stands.
for (const form of document.querySelectorAll("form[data-step]")) {
  const steps = [...form.querySelectorAll("fieldset, label.load")];
  // What was refused is looked at as a whole.
  if (steps.length > 1 && !document.querySelector(".faults")) oneAtATime(form, steps);
}

function oneAtATime(form, steps) {
  const told = document.createElement("p");
  told.className = "step-told";
  told.setAttribute("role", "status");
  form.prepend(told);
  const back = document.createElement("button");
  back.type = "button";
  back.className = "quiet";
  back.textContent = form.dataset.back;
  const button = form.querySelector("button[type=submit]");
  const last = button.textContent;
  button.after(" ", back);
  let at = 0;

  const show = (to, isFocused = true) => {
    at = to;
    steps.forEach((step, n) => { step.hidden = n !== at; });
    back.hidden = at === 0;
    button.textContent = at + 1 < steps.length ? form.dataset.next : last;
    told.textContent = form.dataset.step.replace("{n}", at + 1).replace("{all}", steps.length);
    if (!isFocused) return;
    const first = steps[at].querySelector("legend, input");
    if (first.tagName === "LEGEND") first.tabIndex = -1;
    first.focus();
    form.scrollIntoView({ block: "nearest" });
  };

  form.noValidate = true; // a question that is not shown yet cannot be pointed at: asked here
  form.addEventListener("submit", (event) => {
    const fields = [...steps[at].querySelectorAll("input")];
    const open = fields.find((field) => !field.checkValidity());
    if (open || at + 1 < steps.length) event.preventDefault();
    if (open) open.reportValidity();
    else if (at + 1 < steps.length) show(at + 1);
  });
  back.addEventListener("click", () => show(at - 1));
  show(0, false);
}
