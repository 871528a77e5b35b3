// "Stop" and "it hurts" by voice, only where this device itself understands speech: a browser that
// would send the sound to a server is never asked, and no language is fetched from anywhere.
const LANGUAGE = "en-US";
const STOP = /\b(stop|hurts?|hurting)\b/i; // nothing that this page says aloud during a set has these
const MOST_BREAKS = 5;                     // in a row, each sooner than a silence would end it
const SOON_MS = 2000;
const AGAIN_MS = 300;

const recognition = () => window.SpeechRecognition ?? window.webkitSpeechRecognition;

// Why it is not offered, as a sentence; null where it is.
export async function whyNotHere() {
  const Made = recognition();
  if (!Made) return "it does not understand speech.";
  if (typeof Made.available !== "function" || !("processLocally" in Made.prototype)) {
    return "it would send the sound to a server, and nothing leaves this computer.";
  }
  let found;
  try {
    found = await Made.available({ langs: [LANGUAGE], processLocally: true });
  } catch { found = "unavailable"; }
  if (found === "available") return null;
  return found === "unavailable" ? "this device does not understand English speech by itself."
    : "English speech would have to be fetched from a server first, and this program fetches nothing.";
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
    recogniser.lang = LANGUAGE;
    recogniser.processLocally = true;
    if (recogniser.processLocally !== true) { this.#end("speech would leave this computer."); return; }
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
      if (["not-allowed", "service-not-allowed"].includes(event.error)) this.#end("the browser may not use the microphone.");
      else if (event.error === "audio-capture") this.#end("no microphone was found.");
      else if (event.error === "language-not-supported") this.#end("this device does not understand English speech by itself.");
    });
    // It ends by itself after a silence: begun again for as long as it is wanted.
    recogniser.addEventListener("end", () => {
      if (!this.#isWanted) return;
      this.#breaks = performance.now() - begunAt < SOON_MS ? this.#breaks + 1 : 0;
      if (this.#breaks > MOST_BREAKS) { this.#end("it broke off again and again."); return; }
      setTimeout(() => { if (this.#isWanted) this.#begin(); }, AGAIN_MS);
    });
    this.#recogniser = recogniser;
    try { recogniser.start(); } catch { this.#end("it could not be started."); }
  }

  #onResult(event) {
    for (let i = event.resultIndex; i < event.results.length; i += 1) {
      for (const said of event.results[i]) {
        if (STOP.test(said.transcript)) { this.#tell.heard(); return; }
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
