// Voice and beeps. Only voices that live on this device, so that no sentence leaves it, and of the
// page's language: none is read in the sounds of another.
import { language } from "./words.js";
const WANTED = "formcheck.voice";
// A page that was opened as a file may keep nothing.
const kept = () => { try { return localStorage.getItem(WANTED); } catch { return null; } };
const keep = (value) => { try { localStorage.setItem(WANTED, value); } catch { /* asked again */ } };

export class Voice {
  #sound = null;
  #local = null;

  constructor() {
    this.isOn = kept() !== "no";
    if ("speechSynthesis" in window) {
      this.#find();
      speechSynthesis.addEventListener("voiceschanged", () => this.#find());
    }
  }

  #find() {
    const local = speechSynthesis.getVoices().filter((v) => v.localService && v.lang.toLowerCase().split(/[-_]/)[0] === language.split("-")[0]);
    this.#local = local.find((v) => v.default) || local[0] || null;
  }

  get hasWords() { return this.#local !== null; }

  set(isOn) {
    this.isOn = isOn;
    keep(isOn ? "yes" : "no");
    if (!isOn && this.hasWords) speechSynthesis.cancel();
  }

  // Sound needs a press of a button first, on this page or on the one before: called from one.
  async wake() {
    try {
      this.#sound ??= new AudioContext();
      await this.#sound.resume();
    } catch { this.#sound = null; }
  }

  get canSound() { return this.#sound?.state === "running"; }

  // Says the words, or beeps the pattern where no voice of this device is there.
  say(words, pattern = [660]) {
    if (!this.isOn) return;
    if (!this.hasWords) { this.beep(pattern); return; }
    speechSynthesis.cancel();
    const said = new SpeechSynthesisUtterance(words);
    said.voice = this.#local;
    said.lang = this.#local.lang;
    speechSynthesis.speak(said);
  }

  // A sound at once, and the words after it where a voice is there.
  cue(words, pattern) {
    this.beep(pattern);
    if (this.hasWords) this.say(words);
  }

  beep(pattern) {
    if (!this.isOn || !this.#sound || this.#sound.state === "suspended") return;
    let at = this.#sound.currentTime + 0.02;
    for (const hertz of pattern) {
      const tone = this.#sound.createOscillator();
      const loud = this.#sound.createGain();
      tone.frequency.value = hertz;
      loud.gain.setValueAtTime(0, at);
      loud.gain.linearRampToValueAtTime(0.25, at + 0.02);
      loud.gain.linearRampToValueAtTime(0, at + 0.16);
      tone.connect(loud).connect(this.#sound.destination);
      tone.start(at);
      tone.stop(at + 0.18);
      at += 0.22;
    }
  }
}
