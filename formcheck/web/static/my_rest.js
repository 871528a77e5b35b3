// The rest between two sets, told and shown; nothing follows from it.
import { _ } from "./words.js";
import { Voice } from "./my_voice.js";

const box = document.getElementById("rest");
const words = document.getElementById("rest-left");
const voice = new Voice();
const next = document.getElementById("next-rest");
let rest = null;
try { rest = JSON.parse(sessionStorage.getItem("formcheck.rest")); } catch { rest = null; }

function tick() {
  const left = Math.ceil((rest.until - Date.now()) / 1000);
  if (left <= 0) {
    words.textContent = _("over");
    if (silent) silent.remove();
    sessionStorage.removeItem("formcheck.rest");
    voice.say([_("The rest is over."), next?.dataset.change, _("Go on when you are ready.")].filter(Boolean).join(" "));
    return;
  }
  words.textContent = `${Math.floor(left / 60)}:${String(left % 60).padStart(2, "0")}`;
  setTimeout(tick, 500);
}

// A page makes no sound before somebody has pressed something, here or on the page before.
const silent = document.getElementById("rest-silent");
const tellIfSilent = () => { if (silent) silent.hidden = !voice.isOn || voice.canSound; };
function wake() {
  voice.wake().then(tellIfSilent);
}

const isWanted = !next || next.dataset.rest !== "";
if (!box) {
  sessionStorage.removeItem("formcheck.rest"); // it hurt, or nothing comes after: no rest is told
} else if (rest && isWanted && rest.until > Date.now()) {
  box.hidden = false;
  wake();
  tellIfSilent();
  for (const press of ["pointerdown", "keydown"]) document.addEventListener(press, wake, { once: true });
  tick();
}
