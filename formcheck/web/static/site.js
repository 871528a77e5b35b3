// Small comforts on every page; everything works without them.
import { _ } from "./words.js";
for (const field of document.querySelectorAll("[data-remember]")) {
  const name = "formcheck." + field.dataset.remember;
  if (!field.value) field.value = sessionStorage.getItem(name) || "";
  field.addEventListener("change", () => sessionStorage.setItem(name, field.value));
}

// A form that was refused: what was typed stands in it again, and it is open.
const sent = JSON.parse(document.querySelector("[data-sent]")?.dataset.sent || "{}");
for (const form of Object.keys(sent).length ? document.forms : []) {
  const fields = [...form.elements].filter((f) => f.name && f.name !== "token");
  const isOther = fields.some((f) => f.type === "hidden" && sent[f.name]?.[0] !== f.value);
  if (new URL(form.action).pathname !== location.pathname || isOther) continue;
  for (const field of fields) {
    const values = sent[field.name] ?? [];
    if (["checkbox", "radio"].includes(field.type)) field.checked = values.includes(field.value);
    else if (values.length && field.type !== "hidden" && field.type !== "file") field.value = values[0];
  }
  for (let at = form.closest("details"); at; at = at.parentElement.closest("details")) at.open = true;
}

for (const button of document.querySelectorAll("[data-copy]")) {
  button.addEventListener("click", async () => {
    const source = document.getElementById(button.dataset.copy);
    const told = document.getElementById(button.dataset.told);
    try {
      await navigator.clipboard.writeText(source.value);
      told.textContent = _("Copied.");
    } catch {
      source.select();
      told.textContent = _("Press Ctrl+C to copy the marked text.");
    }
  });
}

for (const button of document.querySelectorAll("[data-print]")) {
  button.addEventListener("click", () => window.print());
}

for (const form of document.querySelectorAll("form[data-sure]")) {
  form.addEventListener("submit", (event) => {
    if (!window.confirm(form.dataset.sure)) event.preventDefault();
  });
}

// The points of a chart are one stop of the Tab key; arrows go from day to day in it.
for (const chart of document.querySelectorAll("svg[data-points]")) {
  const place = (point) => point.querySelector("circle");
  const points = [...chart.querySelectorAll("a")].sort(
    (a, b) => place(a).cx.baseVal.value - place(b).cx.baseVal.value || place(a).cy.baseVal.value - place(b).cy.baseVal.value,
  );
  const stopAt = (stop) => points.forEach((p) => p.setAttribute("tabindex", p === stop ? "0" : "-1"));
  stopAt(points.at(-1));
  chart.addEventListener("keydown", (event) => {
    const at = points.indexOf(document.activeElement);
    const to = { ArrowLeft: at - 1, ArrowRight: at + 1, Home: 0, End: points.length - 1 }[event.key];
    if (at < 0 || to === undefined || event.altKey || event.ctrlKey || event.metaKey) return;
    event.preventDefault();
    const next = points[Math.min(Math.max(to, 0), points.length - 1)];
    stopAt(next);
    next.focus();
  });
}

// The page says how far a measuring is, and comes anew when it is done.
const waiting = document.querySelector("[data-progress]");
if (waiting) {
  const bar = waiting.querySelector("progress");
  const words = waiting.querySelector("[data-words]");
  const ask = async () => {
    try {
      const answer = await fetch(waiting.dataset.progress, { cache: "no-store" });
      if (answer.status === 401) { words.textContent = _("The session is over: open a new link."); return; }
      const now = await answer.json();
      words.textContent = now.words;
      if (now.share === null) bar.removeAttribute("value"); else bar.value = now.share;
      if (now.is_over) { location.reload(); return; }
    } catch {
      words.textContent = _("formcheck does not answer. Is it still running? We keep asking.");
    }
    setTimeout(ask, 1000);
  };
  ask();
}

export const formToken = () => document.querySelector("meta[name=form-token]").content;
