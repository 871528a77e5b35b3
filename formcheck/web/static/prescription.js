// The form of a prescription: its buttons change it in place, and the patient's card beside it
// changes as one writes. Without this script every button loads the page anew instead.
const form = () => document.getElementById("programme");
const WAIT_MS = 300;

// A document made by the browser's own loader: no text of ours is ever parsed into the page.
const ask = (address, fields) => new Promise((resolve, reject) => {
  const request = new XMLHttpRequest();
  request.open("POST", address);
  request.responseType = "document";
  request.onload = () => resolve(request);
  request.onerror = reject;
  request.setRequestHeader("content-type", "application/x-www-form-urlencoded");
  request.send(fields.toString());
});
const fieldsOf = (at) => new URLSearchParams(new FormData(at));

let isTextChanged = false;
const putBeside = (page) => {
  const fresh = page.getElementById("beside");
  const old = document.getElementById("beside");
  if (!fresh || !old) return;
  const top = old.scrollTop;
  old.replaceWith(document.adoptNode(fresh));
  document.getElementById("beside").scrollTop = top;
  const text = document.getElementById("text");
  if (!isTextChanged) text.value = document.getElementById("text-now").textContent;
};

let waiting = 0, asked = 0;
const showBeside = () => {
  clearTimeout(waiting);
  waiting = setTimeout(async () => {
    const mine = ++asked, fields = fieldsOf(form());
    fields.delete("before");
    const answer = await ask(form().dataset.beside, fields).catch(() => null);
    // An answer that was overtaken by a later one, or by a button, is out of date.
    if (mine === asked && answer?.status === 200) putBeside(answer.response);
  }, WAIT_MS);
};

// Where the keyboard goes after a button: on with what was just changed.
const nextFocus = (what) => {
  const [name, n] = what.split(":");
  const places = {
    up: [`e${n - 1}.up`, `e${n - 1}.down`], down: [`e${+n + 1}.down`, `e${+n + 1}.up`],
    remove: ["undo"], copy: [`e${+n + 1}.sets`], add: [`add-${n}`], film: [`e${n}.sets`], note: [`e${n}.sets`],
    goal: [`e${n}.target0.at_least`], template: ["involved_side"], last: ["involved_side"],
    empty: ["involved_side"], undo: ["undo"],
  };
  const found = (places[name] ?? []).map((id) => document.getElementById(id));
  return found.find((at) => at && !at.disabled) ?? document.getElementById("save");
};

// One after the other: each begins from the form that the one before left.
let queue = Promise.resolve();
const change = (what, focused) => {
  queue = queue.then(() => changeNow(what, focused));
  return queue;
};
const changeNow = async (what, focused) => {
  clearTimeout(waiting);
  ++asked;
  const old = form(), fields = fieldsOf(old);
  fields.set("do", what);
  old.setAttribute("aria-busy", "true");
  const answer = await ask(old.action, fields).catch(() => null);
  const fresh = answer?.status === 200 ? answer.response.getElementById("programme") : null;
  if (!fresh) return false;
  const begins = /^(template|last|empty|undo)/.test(what);
  for (const details of fresh.querySelectorAll("details[id]")) {
    const was = document.getElementById(details.id);
    if (was && !(begins && ["begin", "picker"].includes(details.id))) details.open = was.open;
  }
  // What was typed while the answer was on its way is not lost. Lines may have changed places.
  let isTyped = false;
  for (const field of old.elements) {
    if (!field.id || field.type === "checkbox" || (what !== "show" && /^e\d/.test(field.name))) continue;
    const now = fresh.querySelector(`#${CSS.escape(field.id)}`);
    if (!now || !fields.has(field.name) || field.value === fields.get(field.name)) continue;
    now.value = field.value;
    isTyped = true;
  }
  if (what === "show" && old.contains(document.activeElement)) focused = document.activeElement;
  const held = focused?.id ? focused.getBoundingClientRect().top : null;
  old.replaceWith(document.adoptNode(fresh));
  putBeside(answer.response);
  if (isTyped) showBeside();
  const same = what === "show" && focused?.id ? document.getElementById(focused.id) : null;
  const next = same ?? nextFocus(what);
  next?.closest("details:not([open])")?.setAttribute("open", "");
  next?.focus({ preventScroll: true });
  // What was pressed stays where it was on the screen, however much was put in above it.
  if (held !== null && next?.id === focused.id) {
    window.scrollBy(0, next.getBoundingClientRect().top - held);
  } else next?.scrollIntoView({ block: "nearest" });
  return true;
};

let isPlain = false;
document.addEventListener("submit", async (event) => {
  const button = event.submitter;
  if (event.target !== form() || isPlain || ["save", "paper"].includes(button?.value)) return;
  event.preventDefault();
  if (await change(button?.value ?? "show", button)) return;
  isPlain = true; // the page itself then says what went wrong
  form().requestSubmit(button);
});
document.addEventListener("input", (event) => {
  if (event.target.id === "text") isTextChanged = true;
  else if (form().contains(event.target)) showBeside();
});
document.addEventListener("change", (event) => {
  if (event.target.matches("#programme [data-shown], #programme [name^='all.limit']")) change("show", event.target);
});
// A place that a fault or a question names may stand in a part that is folded.
document.addEventListener("click", (event) => {
  const id = event.target.closest?.("#beside a[href^='#'], .faults a[href^='#']")?.hash.slice(1);
  const at = id && document.getElementById(id);
  if (!at) return;
  for (let part = at.closest("details"); part; part = part.parentElement.closest("details")) part.open = true;
  at.focus();
});
