// The rest between two sets, told and shown; nothing follows from it.
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
    words.textContent = "over";
    sessionStorage.removeItem("formcheck.rest");
    voice.say(["The rest is over.", next?.dataset.change, "Go on when you are ready."].filter(Boolean).join(" "));
    return;
  }
  words.textContent = `${Math.floor(left / 60)}:${String(left % 60).padStart(2, "0")}`;
  setTimeout(tick, 500);
}

const isWanted = !next || next.dataset.rest !== "";
if (!box) {
  sessionStorage.removeItem("formcheck.rest"); // it hurt, or nothing comes after: no rest is told
} else if (rest && isWanted && rest.until > Date.now()) {
  box.hidden = false;
  tick();
}
