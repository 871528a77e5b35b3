// A clip that was filmed elsewhere: its side and mirroring confirmed, sent in pieces.
import { _ } from "./words.js";
import { Upload } from "./my_upload.js";

const PIECE_BYTES = 4_000_000;
const form = document.getElementById("drop");
const field = document.getElementById("clip");
const told = document.getElementById("drop-told");
const bar = document.getElementById("drop-bar");
const send = document.getElementById("drop-send");
const box = document.getElementById("drop-here");

box.addEventListener("dragover", (event) => { event.preventDefault(); box.classList.add("over"); });
box.addEventListener("dragleave", () => box.classList.remove("over"));
box.addEventListener("drop", (event) => {
  event.preventDefault();
  box.classList.remove("over");
  if (event.dataTransfer.files.length === 1) field.files = event.dataTransfer.files;
});

form.addEventListener("submit", async (event) => {
  event.preventDefault();
  const file = field.files[0];
  const about = JSON.parse(form.dataset.about);
  const side = form.elements.side.value;
  if (about.side !== side) {
    told.textContent = about.side === "left" ? _("This set is for the left leg, and the clip shows another. Choose that set in today's list.")
      : _("This set is for the right leg, and the clip shows another. Choose that set in today's list.");
    return;
  }
  send.disabled = true;
  bar.hidden = false;
  told.textContent = _("Sending. Leave this page open.");
  try {
    const upload = new Upload({ ...about, side, is_mirrored: form.elements.mirrored.value === "yes", file_name: file.name });
    for (let from = 0; from < file.size; from += PIECE_BYTES) {
      await upload.send(file.slice(from, from + PIECE_BYTES));
      bar.value = Math.min(1, (from + PIECE_BYTES) / file.size);
    }
    const done = await upload.finish();
    location.assign(done.page);
  } catch (error) {
    told.textContent = error.status ? error.message : _("The program on this computer does not answer.");
    bar.hidden = true;
    send.disabled = false;
  }
});
send.disabled = false;
