// The clinic's file may be dropped anywhere on the page; the form works without this.
import { _ } from "./words.js";
const form = document.getElementById("drop");
const told = document.getElementById("told");
document.getElementById("drop-words").hidden = false;

addEventListener("dragover", (event) => { event.preventDefault(); form.classList.add("over"); });
addEventListener("dragleave", (event) => { if (!event.relatedTarget) form.classList.remove("over"); });
addEventListener("drop", (event) => {
  event.preventDefault();
  form.classList.remove("over");
  if (event.dataTransfer.files.length !== 1) { told.textContent = _("Drop one file: the one from your clinic."); return; }
  form.elements.file.files = event.dataTransfer.files;
  form.requestSubmit();
});
form.addEventListener("submit", () => { told.textContent = _("Reading the file."); });
