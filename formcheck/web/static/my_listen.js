// "Stop" and "it hurts" by voice, only where this device itself understands speech: a browser that
// would send the sound to a server is never asked, and no language is fetched from anywhere.
import { _, language } from "./words.js";

// The words that end a set; nothing that the page says aloud during a set has these.
const WORDS = {
  en: { lang: "en-US", stop: /\b(stop|hurts?|hurting)\b/i },
  es: { lang: "es-ES", stop: /\b(alto|stop|duelen?)\b/i },
};
const own = WORDS[language];
const MOST_BREAKS = 5;                     // in a row, each sooner than a silence would end it
const SOON_MS = 2000;
const AGAIN_MS = 300;

const recognition = () => window.SpeechRecognition ?? window.webkitSpeechRecognition;

// Why it is not offered, as a sentence; null where it is.
export async function whyNotHere() {
  const Made = recognition();
  if (!Made || !own) return _("it does not understand speech.");
  if (typeof Made.available !== "function" || !("processLocally" in Made.prototype)) {
    return _("it would send the sound to a server, and nothing leaves this computer.");
  }
  let found;
  try {
    found = await Made.available({ langs: [own.lang], processLocally: true });
  } catch { found = "unavailable"; }
  if (found === "available") return null;
  return found === "unavailable" ? _("this device does not understand English speech by itself.")
    : _("this device would first have to fetch English speech from a server. This program fetches nothing.");
}

export class Listener {
  #recogniser = null;
  #isWanted = true;
  #breaks = 0;
  #hasBegun = false;
  #tell;

  // tell.began() once it listens; tell.heard() at each word to stop; tell.lost(why) once when it
  // cannot listen any more.
  constructor(tell) {
    this.#tell = tell;
    this.#begin();
  }

  get isOn() { return this.#isWanted && this.#hasBegun; }

  #begin() {
    const recogniser = new (recognition())();
    recogniser.lang = own.lang;
    recogniser.processLocally = true;
    if (recogniser.processLocally !== true) { this.#end(_("speech would leave this computer.")); return; }
    recogniser.continuous = true;
    recogniser.interimResults = true; // a word counts as it is spoken, not after the sentence
    const begunAt = performance.now();
    recogniser.addEventListener("start", () => {
      if (this.#hasBegun || !this.#isWanted) return;
      this.#hasBegun = true;
      this.#tell.began();
    });
    recogniser.addEventListener("result", (event) => this.#onResult(event));
    recogniser.addEventListener("error", (event) => {
      if (["not-allowed", "service-not-allowed"].includes(event.error)) this.#end(_("the browser may not use the microphone."));
      else if (event.error === "audio-capture") this.#end(_("no microphone was found."));
      else if (event.error === "language-not-supported") this.#end(_("this device does not understand English speech by itself."));
    });
    // It ends by itself after a silence: begun again for as long as it is wanted.
    recogniser.addEventListener("end", () => {
      if (!this.#isWanted) return;
      this.#breaks = performance.now() - begunAt < SOON_MS ? this.#breaks + 1 : 0;
      if (this.#breaks > MOST_BREAKS) { this.#end(_("it broke off again and again.")); return; }
      setTimeout(() => { if (this.#isWanted) this.#begin(); }, AGAIN_MS);
    });
    this.#recogniser = recogniser;
    try { recogniser.start(); } catch { this.#end(_("it could not be started.")); }
  }

  #onResult(event) {
    for (let i = event.resultIndex; i < event.results.length; i += 1) {
      for (const said of event.results[i]) {
        if (own.stop.test(said.transcript)) { this.#tell.heard(); return; }
      }
    }
  }

  #end(why) {
    if (!this.#isWanted) return;
    this.close();
    this.#tell.lost(why);
  }

  close() {
    this.#isWanted = false;
    const recogniser = this.#recogniser;
    this.#recogniser = null;
    try { recogniser?.abort(); } catch { /* it had ended */ }
  }
}
