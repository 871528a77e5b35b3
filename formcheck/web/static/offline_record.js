// Filming one set on a page without a network: countdown, timer, spoken cues, and each piece of the
// recording kept before the next one comes. Nothing counts here; a hold is guided by the clock.
import { _ } from "./words.js";
import { clockWords } from "./offline_rule.js";

const MOST_RELAXED_S = 5; // held, then as long at rest, at most so many seconds
const SAY_EVERY_S = 30;

export const cameraWhy = (error) => (!window.isSecureContext || !navigator.mediaDevices?.getUserMedia || !window.MediaRecorder
  ? _("This page gets no camera in this browser.")
  : { NotAllowedError: _("The browser may not use the camera."), NotFoundError: _("No camera was found."), NotReadableError: _("Another program uses the camera.") }[error?.name]
    ?? _("The camera could not be started."));

export class Recorder {
  #$; #voice; #store; #stream = null; #media = null; #lock = null;
  #timer = null; #startedAt = 0; #kept = Promise.resolve(); #failed = false; #said = "";
  state = "off";

  // ended({words, isHurt, atS, isBroken}) when a recording is over and all of it is kept.
  constructor(find, voice, store, ended) {
    this.#$ = find; this.#voice = voice; this.#store = store; this.ended = ended;
    // A browser lets the screen go dark again once the page was hidden for a moment.
    document.addEventListener("visibilitychange", () => {
      if (document.visibilityState === "visible" && this.#stream) this.#keepAwake();
    });
  }

  #set(next) {
    this.state = next;
    const $ = this.#$;
    $("stage").dataset.state = next;
    document.body.classList.toggle("is-live", next === "countdown" || next === "recording");
    const shown = { camera: ["off"], now: ["ready"], hurts: ["ready", "countdown", "recording"], stop: ["countdown", "recording"],
      "is-recording": ["recording"], digits: ["countdown", "recording"], clock: ["recording"], "count-note": ["recording"], preview: ["ready", "countdown", "recording"] };
    for (const [id, states] of Object.entries(shown)) $(id).hidden = !states.includes(next);
    $("stop").textContent = next === "recording" ? _("Stop and keep") : _("Stop the countdown");
  }

  say(words, pattern) { this.#$("say").textContent = words; this.#voice.say(words, pattern); }

  async turnOn(of) {
    this.of = of;
    this.#voice.wake();
    try {
      if (!navigator.mediaDevices?.getUserMedia || !window.MediaRecorder) throw new Error("no camera");
      this.#stream = await navigator.mediaDevices.getUserMedia({ audio: false, video: { width: { ideal: 1280 }, height: { ideal: 720 }, frameRate: { ideal: 30 } } });
      this.#$("preview").srcObject = this.#stream;
      await this.#$("preview").play();
    } catch (error) {
      this.close();
      return cameraWhy(error);
    }
    this.#stream.getVideoTracks()[0].addEventListener("ended", () => {
      if (this.state === "recording") this.end(_("The camera stopped.")); else this.close();
    });
    this.#keepAwake();
    this.#set("ready");
    this.#$("voice-told").textContent = this.#voice.hasWords ? "" : _("This device has no voice of its own: you hear beeps.");
    this.say(_("Put the phone in its place. Then start the countdown."), [520]);
    return "";
  }

  #keepAwake() {
    navigator.wakeLock?.request("screen").then((lock) => { this.#lock = lock; }).catch(() => {});
  }

  countdown(seconds, begin) {
    this.#voice.wake();
    this.#set("countdown");
    const until = performance.now() + 1000 * seconds;
    let shown = null;
    this.say(_("Get ready."), [520, 780]);
    this.#$("big-words").textContent = "";
    const tick = () => {
      const left = Math.ceil((until - performance.now()) / 1000);
      if (left <= 0) { clearInterval(this.#timer); this.#record(begin); return; }
      if (left === shown) return;
      shown = left;
      this.#$("big").textContent = String(left);
      if (left <= 3) this.#voice.say(String(left), [780]); else this.#voice.beep([440]);
    };
    this.#timer = setInterval(tick, 100);
    tick();
  }

  // Before the recording: back to where the countdown can be started again.
  breakOff() { clearInterval(this.#timer); this.#set("ready"); this.say(_("Stopped."), [400, 300]); }

  async #record(begin) {
    const mimeType = ["video/webm;codecs=vp9", "video/webm;codecs=vp8", "video/webm", "video/mp4"].find((k) => MediaRecorder.isTypeSupported(k));
    try {
      if (!mimeType) throw new Error("no format");
      const media = new MediaRecorder(this.#stream, { mimeType, videoBitsPerSecond: 2_500_000 });
      const uid = await begin(mimeType);
      let n = 0;
      this.#failed = false;
      this.#kept = Promise.resolve();
      media.addEventListener("dataavailable", (event) => {
        if (!event.data.size || this.#failed) return;
        const at = n;
        n += 1;
        this.#kept = this.#kept.then(() => this.#store.piece(uid, at, event.data)).catch(() => {
          this.#failed = true;
          this.end(_("The phone has no room for more."));
        });
      });
      media.addEventListener("error", () => this.end(_("The recording stopped.")));
      media.start(1000);
      this.#media = media;
    } catch {
      this.close();
      this.ended({ words: _("This browser cannot record video."), isBroken: true });
      return;
    }
    this.#startedAt = performance.now();
    this.#said = "";
    this.#set("recording");
    this.say(_("Start."), [880, 880]);
    this.#$("big-words").textContent = "";
    this.#timer = setInterval(() => this.#clock(), 200);
    this.#clock();
  }

  get seconds() { return Math.round(performance.now() - this.#startedAt) / 1000; }

  #once(words, spoken, pattern) {
    if (this.#said === words) return;
    this.#said = words;
    this.#$("say").textContent = spoken;
    this.#voice.say(spoken, pattern);
  }

  #clock() {
    const s = this.seconds, of = this.of, $ = this.#$;
    if (s > of.limitS) { this.end(_("The time is over.")); return; }
    if (!of.holdS) {
      $("big").textContent = clockWords(s);
      $("clock").textContent = "";
      const n = Math.floor(s / SAY_EVERY_S);
      if (n > 0) this.#once(`at ${n}`, _("%(n)s seconds.", { n: n * SAY_EVERY_S }), [660]);
      return;
    }
    const relaxed = Math.min(of.holdS, MOST_RELAXED_S);
    const n = Math.floor(s / (of.holdS + relaxed));
    const into = s - n * (of.holdS + relaxed);
    if (n >= of.repetitions || (n === of.repetitions - 1 && into >= of.holdS)) { this.end(_("Your set is done.")); return; }
    const isHeld = into < of.holdS;
    $("big").textContent = String(Math.ceil(isHeld ? of.holdS - into : of.holdS + relaxed - into));
    $("big-words").textContent = isHeld ? " s" : ` ${_("s rest")}`;
    $("clock").textContent = _("hold %(n)s of %(most)s, %(seconds)s s", { n: n + 1, most: of.repetitions, seconds: of.holdS });
    this.#once(`${n} ${isHeld}`, isHeld ? _("Hold.") : _("Let go."), isHeld ? [780] : [520]);
  }

  async end(words, { isHurt = false } = {}) {
    if (this.state !== "recording") return;
    const atS = this.seconds;
    this.#set("ending");
    clearInterval(this.#timer);
    this.say(`${words} ${_("The recording has ended.")}`, [780, 520, 400]);
    const stopTold = isHurt ? this.hurt(atS) : null; // kept at once, before the recording is whole
    if (this.#media.state !== "inactive") {
      await new Promise((done) => { this.#media.addEventListener("stop", done, { once: true }); this.#media.stop(); });
    }
    await this.#kept;
    await stopTold;
    this.close();
    this.ended({ words, isHurt, isBroken: false });
  }

  close() {
    clearInterval(this.#timer);
    this.#stream?.getTracks().forEach((t) => t.stop());
    this.#stream = null;
    this.#lock?.release?.();
    this.#lock = null;
    this.#set("off");
  }
}
