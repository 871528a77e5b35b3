// The clinic's file, taken in.
import { _ } from "./words.js";
import { askServer } from "./my_upload.js";

const form = document.getElementById("plan-file");
const told = document.getElementById("plan-told");
form.addEventListener("submit", async (event) => {
  event.preventDefault();
  const file = document.getElementById("plan").files[0];
  if (!file) { told.textContent = _("Choose the file first."); return; }
  told.textContent = _("Reading the file.");
  try {
    const done = await askServer("/my/plan/file", "PUT", file, "application/octet-stream");
    location.assign(done.page);
  } catch (error) {
    told.className = "notice";
    told.textContent = error.status ? `${_("Nothing was taken in.")} ${error.message}` : _("The program on this computer does not answer.");
  }
});
document.getElementById("plan-send").disabled = false;
