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
    try {
      const { page } = await send(form.elements, (share) => { bar.value = share; });
      location.assign(page);
    } catch (error) {
      told.textContent = error.message;
      button.disabled = false;
      bar.hidden = true;
    }
  });
}

const number = (field) => (field.value.trim() ? Number(field.value.replace(",", ".")) : null);

for (const form of document.querySelectorAll("[data-upload]")) {
  wire(form, (fields, tell) => sendFile(form.dataset.upload, {
    exercise: fields.exercise.value, side: fields.side.value, day: fields.day.value,
    set_number: Math.round(number(fields.set_number) || 1), load_kg: number(fields.load_kg),
    support: fields.support.value, is_mirrored: fields.is_mirrored.checked,
  }, fields.file.files[0], tell));
}

for (const form of document.querySelectorAll("[data-import]")) {
  wire(form, (fields) => ask("PUT", form.dataset.import, fields.file.files[0], "application/octet-stream"));
}
