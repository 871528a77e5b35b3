// Forms that send a file: a recording in pieces, or an exchange file at once.
import { ask, sendFile } from "/static/upload.js";

function wire(form, send) {
  const bar = form.querySelector("progress");
  const told = form.querySelector("[data-told]");
  const button = form.querySelector("button");
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    button.disabled = true;
    bar.hidden = false;
    told.textContent = "Sending…";
    told.classList.remove("refused");
    try {
      const { page } = await send(form.elements, (share) => { bar.value = share; });
      location.assign(page);
    } catch (error) {
      told.textContent = `${form.dataset.refused} ${error.message}`;
      told.classList.add("refused");
      button.disabled = false;
      bar.hidden = true;
    }
  });
  button.disabled = false; // until here the form could not have been sent
}

function number(field, words) {
  if (!field.value.trim()) return null;
  const value = Number(field.value.replace(",", "."));
  if (!Number.isFinite(value)) { field.focus(); throw new Error(`${words}: write a number.`); }
  return value;
}

for (const form of document.querySelectorAll("[data-upload]")) {
  wire(form, async (fields, tell) => sendFile(form.dataset.upload, {
    exercise: fields.exercise.value, side: fields.side.value, day: fields.day.value,
    set_number: Math.round(number(fields.set_number, "Set number") || 1), load_kg: number(fields.load_kg, "Load"),
    support: fields.support.value, is_mirrored: fields.is_mirrored.checked,
  }, fields.file.files[0], tell));
}

for (const form of document.querySelectorAll("[data-import]")) {
  wire(form, (fields) => ask("PUT", form.dataset.import, fields.file.files[0], "application/octet-stream"));
}
