// One set, hands-free: framing, countdown, recording, end. Words and figures for three metres.
import { _, numberWords } from "./words.js";
import { cameraTrouble, Look, openCamera } from "./my_camera.js";
import { askServer, Upload } from "./my_upload.js";
import { Listener, whyNotHere } from "./my_listen.js";
import { Voice } from "./my_voice.js";

const $ = (id) => document.getElementById(id);
const stage = $("stage");
const facts = JSON.parse(stage.dataset.facts);
const voice = new Voice();
let listener = null;

// A hold that cannot be seen is timed: held, then as long at rest, at most so many seconds.
const MOST_RELAXED_S = 5;
const isGuided = facts.n === null && facts.holdS !== null;
const AFTER_HOLD_MS = 6000;   // to come back from the last hold, where the way back is not seen
// Who lies cannot walk up to the camera; who lies on the front cannot raise the arms either.
const howToStop = facts.isProne ? _("Press a key to stop.")
  : facts.isLying ? _("To stop, raise both arms.") : _("To stop, raise both arms or walk up.");

const GOOD_FOR_MS = 2000;     // the picture has been good for so long before the countdown begins
const BAD_FOR_MS = 2500;      // and bad for so long before a countdown is broken off
const SAY_AGAIN_MS = 8000;
const AFTER_DOSE_MS = 2500;   // the return to rest belongs to the last repetition

let state = "off";
let stream = null, look = null, recorder = null, upload = null, lock = null;
let goodSince = null, badSince = null, said = "", saidAt = 0, isByHand = false;
let isHeldBack = false;
let countdownTimer = null, clockTimer = null;
let startedAt = 0, counted = 0, isHoldTold = false, endTimer = null, phase = "";
const pieces = [];
const CUE_UNSEEN_MS = 2000;   // the knee out of sight for so long is told
const cueWords = $("cue-note")?.textContent ?? "";
const cues = [];              // ms from the picture taken to the sound, of each cue
let kneeSeenAt = 0;

const ofMany = ` ${_("of %(n)s", { n: facts.n })}`;
const show = (id, is) => { $(id).hidden = !is; };

function setState(next) {
  state = next;
  stage.dataset.state = next;
  document.body.classList.toggle("is-live", next !== "off" && next !== "failed");
  show("camera", next === "off");
  show("now", next === "framing");
  show("hurts", next === "recording" || next === "countdown");
  show("stop", next === "recording" || next === "countdown");
  show("is-recording", next === "recording");
  show("digits", next === "countdown" || next === "recording");
  show("clock", next === "recording");
  show("checks", next === "framing");
  show("count-note", next === "recording");
  show("place", next === "off" || next === "failed");
  show("preview", next !== "off" && next !== "failed");
  show("options", next === "off" || next === "framing");
  $("stop").textContent = next === "recording" ? _("Stop and keep") : _("Stop the countdown");
}

function tell(words, { isAloud = true, pattern, isAgain = false } = {}) {
  $("say").textContent = words;
  const at = performance.now();
  if (!isAloud || (!isAgain && words === said && at - saidAt < SAY_AGAIN_MS)) return;
  said = words;
  saidAt = at;
  voice.say(words, pattern);
}

function fail(words) {
  setState("failed");
  look?.close();
  listener?.close();
  clearInterval(clockTimer);
  clearInterval(countdownTimer);
  show("trouble", true);
  $("trouble-words").textContent = words;
  $("trouble").scrollIntoView({ block: "nearest" });
  if (pieces.length) {
    $("trouble-link").href = URL.createObjectURL(new Blob(pieces, { type: recorder.mimeType }));
    $("trouble-link").download = fileName();
    show("trouble-file", true);
  }
  stream?.getTracks().forEach((t) => t.stop());
}

const fileName = () => (recorder.mimeType.includes("mp4") ? "recording.mp4" : "recording.webm");

// -- framing

async function turnOn() {
  voice.wake();
  show("trouble", false);
  try {
    show("preview", true);
    show("place", false);
    stream = await openCamera($("preview"));
  } catch (error) {
    fail(cameraTrouble(error));
    setState("off");
    return;
  }
  stream.getVideoTracks()[0].addEventListener("ended", () => {
    if (state === "recording") end(_("The camera stopped."));
    else fail(_("The camera stopped."));
  });
  keepAwake();
  setState("framing");
  $("voice-told").textContent = voice.hasWords ? "" : _("This device has no voice of its own: you hear beeps.");
  tell(_("Go to your place."), { pattern: [520] });
  openLook();
}

function openLook() {
  look = new Look($("preview"), facts.live, onAnswer, () => {
    // The recording goes on without the live look; buttons and the time limit still end it.
    noteCue(_("The live help stopped: no sound near the limit will come."));
    if (state === "framing") tell(_("The live help stopped. You can start by the button."));
    if (state === "countdown" || state === "recording") isByHand = true;
  });
}

async function keepAwake() {
  try { lock = await navigator.wakeLock.request("screen"); } catch { lock = null; }
}

document.addEventListener("visibilitychange", () => {
  if (document.visibilityState === "visible" && state !== "off" && state !== "failed") keepAwake();
});

function onAnswer(answer) {
  const at = performance.now();
  if (state === "framing" || state === "countdown") {
    showChecks(answer.checks);
    if (answer.isGood) { goodSince ??= at; badSince = null; } else { badSince ??= at; goodSince = null; }
  }
  if (state === "framing") {
    tell(answer.say, { pattern: answer.isGood ? [520, 780] : [400] });
    if (badSince !== null) isHeldBack = false;
    if (goodSince !== null && !isHeldBack && at - goodSince > GOOD_FOR_MS) beginCountdown(false);
  } else if (state === "countdown" && !isByHand && badSince !== null && at - badSince > BAD_FOR_MS) {
    breakCountdown(answer.say);
  } else if (state === "recording" && answer.count) {
    if (answer.cue) onCue(answer.cue);
    onCount(answer.count);
    const words = { arms: _("You raised both arms."), near: _("You came to the camera."), gone: _("You went away."), aside: _("You left your place.") }[answer.left];
    if (words) end(words);
  }
}

// -- the sound near a limit

function noteCue(words) {
  if (facts.live.cue === undefined) return; // the page says already that none will come
  const note = $("cue-note");
  if (note.textContent !== words) note.textContent = words;
}

function onCue(cue) {
  const at = performance.now();
  if (cue.isDue) {
    voice.cue(_("Near your limit."), [990, 990]);
    cues.push(Math.round(performance.now() - look.takenAt));
    stage.dataset.cues = JSON.stringify(cues);
  }
  if (cue.isSeen) kneeSeenAt = at;
  noteCue(!voice.isOn ? _("Voice is off: no sound near the limit will come.")
    : at - kneeSeenAt > CUE_UNSEEN_MS ? _("Your knee is not seen from the side: no sound near the limit will come now.")
    : cues.length ? `${cueWords} ${_("The last one came %(seconds)s s after its picture was taken.", { seconds: numberWords(cues.at(-1) / 1000, 2) })}` : cueWords);
}

function showChecks(checks) {
  const items = checks.map((c) => {
    const item = document.createElement("li");
    item.className = c.isOk ? "good" : c.isOk === false ? "mend" : "open";
    item.textContent = (c.isOk ? "✓ " : c.isOk === false ? "✗ " : "… ") + c.words;
    return item;
  });
  $("checks").replaceChildren(...items);
}

// -- countdown

function beginCountdown(byHand) {
  isByHand = byHand;
  badSince = null;
  setState("countdown");
  const until = performance.now() + 1000 * Number($("countdown").value);
  let shown = null;
  tell(_("Get ready."), { isAgain: true, pattern: [520, 780] });
  $("big-words").textContent = "";
  const tick = () => {
    const left = Math.ceil((until - performance.now()) / 1000);
    if (left <= 0) { clearInterval(countdownTimer); startRecording(); return; }
    if (left === shown) return;
    shown = left;
    $("big").textContent = String(left);
    if (left <= 3) voice.say(String(left), [780]); else voice.beep([440]);
  };
  clearInterval(countdownTimer);
  countdownTimer = setInterval(tick, 100);
  tick();
}

function breakCountdown(words) {
  clearInterval(countdownTimer);
  goodSince = null;
  isByHand = false;
  setState("framing");
  if (words) tell(words, { isAgain: true, pattern: [400, 300] });
}

// -- recording

function kindOf() {
  // VP9 first: Chromium's VP8 fell to 6 pictures a second on two busy cores where VP9 kept 30.
  const kinds = ["video/webm;codecs=vp9", "video/webm;codecs=vp8", "video/webm", "video/mp4"];
  return kinds.find((k) => MediaRecorder.isTypeSupported(k));
}

function startRecording() {
  const mimeType = kindOf();
  if (!mimeType) { fail(_("This browser cannot record video. Send a clip from your phone instead.")); return; }
  recorder = new MediaRecorder(stream, { mimeType, videoBitsPerSecond: 2_500_000 });
  upload = new Upload({ ...facts.upload, is_recorded: true, is_mirrored: false, file_name: fileName() });
  recorder.addEventListener("dataavailable", (event) => {
    if (!event.data.size) return;
    pieces.push(event.data);
    upload.send(event.data).catch(() => { /* told at the end, with what is here still */ });
  });
  recorder.addEventListener("error", () => end(_("The recording stopped.")));
  recorder.start(1000);
  look?.start();
  startedAt = performance.now();
  kneeSeenAt = startedAt;
  counted = 0;
  setState("recording");
  tell(_("Start."), { isAgain: true, pattern: [880, 880] });
  $("big").textContent = facts.n === null ? "0:00" : "0";
  $("big-words").textContent = facts.n === null ? "" : ofMany;
  if (isGuided) $("count-note").textContent += ` ${howToStop}`;
  else setTimeout(() => {
    if (state === "recording") $("say").textContent = listener?.isOn ? `${howToStop} ${_("Or say “stop”.")}` : howToStop;
  }, 4000);
  clockTimer = setInterval(onClock, 200);
}

const clockWords = (seconds) => `${Math.floor(seconds / 60)}:${String(Math.floor(seconds % 60)).padStart(2, "0")}`;

// A hold that is timed and not seen: "Hold" and "Let go" in turn, seconds left in large figures.
function guide(seconds) {
  const relaxed = Math.min(facts.holdS, MOST_RELAXED_S);
  const n = Math.floor(seconds / (facts.holdS + relaxed));
  const into = seconds - n * (facts.holdS + relaxed);
  if (n >= facts.repetitions || (n === facts.repetitions - 1 && into >= facts.holdS)) { end(_("Your set is done.")); return; }
  const isHeld = into < facts.holdS;
  $("big").textContent = String(Math.ceil(isHeld ? facts.holdS - into : facts.holdS + relaxed - into));
  $("big-words").textContent = isHeld ? " s" : ` ${_("s rest")}`;
  $("clock").textContent = _("hold %(n)s of %(most)s, %(seconds)s s", { n: n + 1, most: facts.repetitions, seconds: numberWords(facts.holdS, facts.holdS % 1 ? 1 : 0) });
  const now = `${n} ${isHeld}`;
  if (now !== phase) {
    phase = now;
    leftSaid = null;
    $("say").textContent = isHeld ? _("Hold.") : _("Let go.");
    voice.say(isHeld ? _("Hold %(n)s of %(most)s.", { n: n + 1, most: facts.repetitions }) : _("Let go."), isHeld ? [780] : [520]);
  } else if (isHeld) sayLeft(Math.ceil(facts.holdS - into), facts.holdS);
}

// A hold that is seen: its goal and the seconds left, as large as the count is otherwise.
function showHold(count) {
  if (!count.isAway) {
    $("big").textContent = String(count.n);
    $("big-words").textContent = ofMany;
    $("clock").textContent = _("goal %(seconds)s s", { seconds: facts.holdS });
    return;
  }
  const left = Math.max(0, Math.ceil(facts.holdS - count.holdS));
  sayLeft(left, facts.holdS);
  $("big").textContent = left ? String(left) : "✓";
  $("big-words").textContent = left ? ` ${_("s left")}` : "";
  $("clock").textContent = _("held %(time)s of %(most)s", { time: clockWords(count.holdS), most: clockWords(facts.holdS) });
}

function onClock() {
  const seconds = (performance.now() - startedAt) / 1000;
  if (isGuided) { guide(seconds); return; }
  if (facts.n === null) $("big").textContent = clockWords(seconds);
  if (facts.limitS - seconds < 11) sayLeft(Math.ceil(facts.limitS - seconds), facts.limitS);
  if (!(facts.isHold && facts.holdS)) $("clock").textContent = clockWords(seconds);
  if (seconds > facts.limitS) end(_("The time is over."));
}

// What was counted and what is left of it, as it is said.
function countWords(n) {
  const left = facts.n - n;
  return left < 1 ? String(n) : `${n}. ${left === 1 ? _("One more.") : _("%(n)s to go.", { n: left })}`;
}

// Seconds that are left of a hold or of the time, said now and then, and the last three.
const SAID_LEFT_S = [60, 45, 30, 20, 10];
let leftSaid = null;
function sayLeft(left, of) {
  const isTold = left < of && (SAID_LEFT_S.includes(left) || (left > 0 && left <= 3));
  if (!isTold || left === leftSaid) return;
  leftSaid = left;
  voice.say(left <= 3 ? String(left) : _("%(n)s seconds left.", { n: left }), [440]);
}

function onCount(count) {
  if (facts.n === null) return;
  if (facts.isHold && facts.holdS) showHold(count);
  if (facts.holdS && count.isAway && count.holdS >= facts.holdS && !isHoldTold) {
    isHoldTold = true;
    voice.say(_("Time. Come back slowly."), [780, 520]);
    $("say").textContent = _("Time. Come back slowly.");
    // The last hold of the set ends it, whether or not the way back is seen.
    if (facts.isHold && count.n + 1 >= facts.n) endTimer ??= setTimeout(() => end(_("Your set is done.")), AFTER_HOLD_MS);
  }
  if (!count.isAway) { isHoldTold = false; leftSaid = null; }
  if (count.n !== counted) {
    counted = count.n;
    if (!facts.isHold) $("big").textContent = String(counted);
    voice.say(countWords(counted), [660]);
    if (counted >= facts.n) {
      clearTimeout(endTimer);
      endTimer = setTimeout(() => end(_("Your set is done.")), AFTER_DOSE_MS);
    }
  }
}

// -- the end

// Sent at once, before the recording is whole: it must be kept even if nothing else is.
async function tellStop(atS, repetition, uid) {
  const body = JSON.stringify({ at_s: atS, repetition, uid });
  for (let wait = 300; wait < 20000; wait *= 2) {
    try { return await askServer(facts.stopped, "POST", body, "application/json"); } catch (error) {
      if (error.status && error.status < 500) return null;
      await new Promise((done) => setTimeout(done, wait));
    }
  }
  return null;
}

async function end(words, { isHurt = false } = {}) {
  if (state !== "recording") return;
  setState("ending");
  const told = isHurt
    ? tellStop(Math.round(performance.now() - startedAt) / 1000, facts.n === null ? null : counted, upload.uid)
    : null;
  clearInterval(clockTimer);
  clearTimeout(endTimer);
  tell(`${words} ${_("The recording has ended.")}`, { isAgain: true, pattern: [780, 520, 400] });
  stage.dataset.delays = JSON.stringify((look?.delays ?? []).map(Math.round));
  look?.close();
  listener?.close();
  if (recorder.state !== "inactive") {
    await new Promise((done) => { recorder.addEventListener("stop", done, { once: true }); recorder.stop(); });
  }
  stream.getTracks().forEach((t) => t.stop());
  lock?.release?.();
  if (facts.restS && !isHurt) { // after pain nothing says to go on
    sessionStorage.setItem("formcheck.rest", JSON.stringify({ until: Date.now() + 1000 * facts.restS }));
  }
  sessionStorage.setItem("formcheck.delays", stage.dataset.delays);
  try {
    const done = await upload.finish();
    await told;
    location.assign(done.page);
  } catch (error) {
    if (error.status === 401) fail(_("The program on this computer was started anew. What had arrived is offered on the next visit."));
    else if (error.isFinal) fail(error.message);
    else fail(_("The program on this computer does not answer. What had arrived is kept and offered on the next visit."));
  }
}

async function stopByHand(isHurt) {
  if (state === "recording") end(_("Stopped."), { isHurt });
  else if (state === "countdown") {
    isHeldBack = true; // whoever stopped it begins anew: by hand, or by coming into the picture
    breakCountdown(_("Stopped."));
    if (!isHurt) return;
    look?.close();
    listener?.close();
    stream.getTracks().forEach((t) => t.stop());
    setState("ending");
    await tellStop(null, null, null);
    location.assign("/my/hurt");
  }
}

$("camera").addEventListener("click", turnOn);
$("now").addEventListener("click", () => { voice.wake(); isHeldBack = false; beginCountdown(true); });
$("hurts").addEventListener("click", () => stopByHand(true));
$("stop").addEventListener("click", () => stopByHand(false));
document.addEventListener("keydown", (event) => {
  // Space belongs to a button or a field that has the focus.
  const isFree = !event.target.closest?.("button, a, input, select");
  if (event.key === "Escape" || (event.key === " " && isFree && (state === "recording" || state === "countdown"))) {
    event.preventDefault();
    stopByHand(false);
  }
});
$("voice").checked = voice.isOn;
$("voice").addEventListener("change", (event) => {
  voice.set(event.target.checked);
  noteCue(voice.isOn ? cueWords : _("Voice is off: no sound near the limit will come."));
});
if (!voice.isOn) noteCue(_("Voice is off: no sound near the limit will come."));

// -- stop by voice, only where the device itself understands speech

const listening = (words) => { $("listen-told").textContent = words; };

async function offerListening() {
  const why = await whyNotHere();
  if (why) { listening(`${_("Stop by voice is not offered in this browser:")} ${why} ${facts.isProne ? _("Stop by a button or a key.") : _("Stop by a button or a key, or raise both arms.")}`); return; }
  listening(_("This device understands “stop” and “it hurts” itself; no sound leaves it or is kept."));
  show("listen-offer", true);
}

$("listen").addEventListener("change", (event) => {
  listener?.close();
  listener = null;
  if (!event.target.checked) { listening(_("Stop by voice is off.")); return; }
  listening(_("Waiting for the microphone: allow it in the browser."));
  listener = new Listener({
    began: () => listening(_("Listening. Say “stop” or “it hurts”: the set ends and is kept as by the button “It hurts, stop”.")),
    heard: () => stopByHand(true),
    lost: (why) => {
      event.target.checked = false;
      listening(`${_("Stop by voice is off:")} ${why} ${_("Stop in another way.")}`);
      if (state === "recording") tell(howToStop, { isAgain: true, pattern: [400, 300] });
    },
  });
});
offerListening();
const length = localStorage.getItem("formcheck.countdown") ?? "10";
if ([...$("countdown").options].some((o) => o.value === length)) $("countdown").value = length;
$("countdown").addEventListener("change", (event) => localStorage.setItem("formcheck.countdown", event.target.value));
setState("off");
$("camera").disabled = false; // before this line a press would have been lost
