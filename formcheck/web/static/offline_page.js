// A patient's plan without a network: one thing on the screen at a time, and one sealed file a set.
import { _, numberWords } from "./words.js";
import { clockWords, levelOf, standingOf } from "./offline_rule.js";
import { newId, nowUtc, sealedSet } from "./offline_seal.js";
import { Store } from "./offline_store.js";
import { Recorder } from "./offline_record.js";
import { Voice } from "./my_voice.js";

const $ = (id) => document.getElementById(id);
const facts = JSON.parse($("main").dataset.facts);
const store = new Store();
const voice = new Voice();
const PIECE_BYTES = 8_000_000;
let now = null;      // the set that is being done: its facts, what was answered before, its uid
let asked = null;    // settles the screen of questions that is shown
let sealed = null;   // the file that is ready
let sending = null;  // the set that the screen for sending is about

const two = (n) => String(n).padStart(2, "0");
const today = (at = new Date()) => `${at.getFullYear()}-${two(at.getMonth() + 1)}-${two(at.getDate())}`;
const setFacts = (s) => facts.sets.find((f) => f.exercise === s.exercise && f.side === s.side && f.number === Number(s.number ?? s.set_number));

function show(id, name = "") {
  $("faults").hidden = true;
  for (const screen of document.querySelectorAll(".screen")) screen.hidden = screen.id !== id;
  for (const at of document.querySelectorAll(`#${id} .set-name`)) at.textContent = name;
  scrollTo(0, 0);
  $(id).querySelector("h1")?.focus({ preventScroll: true });
}

function fault(words) {
  $("faults-words").textContent = words;
  $("faults").hidden = false;
  $("faults").scrollIntoView({ block: "nearest" });
}

// -- what was said

async function say(moment, given, of = null) {
  const about = now && moment !== "today" && moment !== "acted"
    ? { exercise: now.of.exercise, side: now.of.side, set_number: now.of.number, pain_limit: now.of.painLimit, pain_origin: now.of.painOrigin }
    : { exercise: "", side: "", set_number: null, pain_limit: null, pain_origin: "" };
  const entry = {
    day: today(), at: nowUtc(), moment, pain: null, pain_during: null, effort: null, symptoms: [], asked: [],
    pain_change: null, stiffness_change: null, swelling_change: null, ...about,
    set_uid: null, at_s: null, repetition: null, acted: null, of, ...given,
  };
  const pain = Math.max(entry.pain ?? -1, entry.pain_during ?? -1);
  entry.is_over_limit = pain >= 0 && facts.over[`${entry.pain_origin} ${entry.pain_limit}`]?.[pain] === true;
  entry.level = levelOf(facts, entry);
  return { ...entry, key: await store.say(entry) };
}

const standing = async () => standingOf(facts, await store.log(), today());
const openGroups = async () => {
  const said = new Set((await store.log()).filter((a) => a.day === today() && a.moment === "today").flatMap((a) => a.asked));
  return facts.dayGroups.filter((g) => !g.questions.every((q) => said.has(q)));
};

// A screen of questions; settles with its fields once they are whole.
function ask(id, name) {
  const form = $(id);
  form.reset();
  show(id, name);
  return new Promise((done) => { asked = { id, done }; });
}

const ticked = (fields) => {
  const told = fields.getAll("symptom"), none = fields.get("none");
  if (!told.length && !none) { fault(_("Please tick what applies, or “None of these”.")); return null; }
  if (told.length && none) { fault(_("Please tick what applies, or “None of these”, not both.")); return null; }
  return told;
};

document.addEventListener("submit", (event) => {
  event.preventDefault();
  const form = event.target;
  if (!asked || asked.id !== form.id) return;
  const fields = new FormData(form);
  if (form.querySelector("[name=none]") && !ticked(fields)) return;
  const { done } = asked;
  asked = null;
  done(fields);
});

const number = (fields, name) => Number(fields.get(name));

// -- home

function fillHold(root, s) {
  for (const at of root.querySelectorAll(".hold-title")) at.textContent = s.title;
  for (const at of root.querySelectorAll(".hold-why")) at.textContent = s.why;
  for (const at of root.querySelectorAll(".hold-until")) at.textContent = [s.until === "told" ? _("You have to phone.") : "", facts.untilWords[s.until]].join(" ").trim();
  for (const at of root.querySelectorAll(".hold-call")) at.hidden = s.level !== "call";
  for (const at of root.querySelectorAll(".hold-closed")) at.hidden = s.level !== "call" || !s.mayBeTakenBack;
  for (const at of root.querySelectorAll(".hold-urgent")) at.hidden = s.level !== "urgent";
  for (const at of root.querySelectorAll(".hold-leave")) at.hidden = s.level !== "leave_out" || s.until === "asked";
  for (const at of root.querySelectorAll(".hold-way")) {
    at.hidden = s.until !== "asked" && !["call", "urgent"].includes(s.level);
    at.textContent = s.until === "asked" ? _("Say how it is now") : _("Say what was done about it");
  }
}

async function home() {
  now = null;
  asked = null;
  const s = await standing(), sets = await store.sets();
  $("not-kept").hidden = store.isKept;
  const isShown = s.isHeld || s.leftOut.length > 0;
  $("home-hold").hidden = !isShown;
  if (isShown) fillHold($("home-hold"), s);
  $("home-visit").hidden = s.level !== "visit";
  $("home-visit").textContent = s.level === "visit" ? `${s.title} ${_("Send a set to your clinic, or phone: nothing goes there by itself.")}` : "";
  for (const button of document.querySelectorAll(".start")) {
    button.hidden = s.isHeld || s.leftOut.includes(button.dataset.exercise);
    const { exercise, side, number: n } = button.dataset;
    const here = sets.some((k) => k.day === today() && k.exercise === exercise && k.side === side && k.set_number === Number(n) && k.state !== "recording");
    const at = document.querySelector(`[data-state-of="${exercise} ${side} ${n}"]`);
    at.textContent = here ? _("Recorded today") : "";
  }
  $("waiting").replaceChildren(...sets.sort((a, b) => (a.began < b.began ? -1 : 1)).map(waiting));
  show("home");
}

// What is on this phone of a set: sent or to be sent, or broken off.
function waiting(k) {
  const card = document.createElement("section");
  card.className = "card waits";
  card.dataset.uid = k.uid;
  const isWhole = k.state === "ready";
  const heading = document.createElement("h2");
  heading.textContent = isWhole ? (k.shared ? _("Sent or saved") : _("Not sent yet")) : _("This recording is not finished");
  const words = document.createElement("p");
  words.textContent = `${setFacts(k)?.name ?? k.name ?? k.exercise}, ${k.day}, ${k.began.slice(11, 16)} UTC`;
  const row = document.createElement("p");
  row.className = "row";
  const button = (text, does, isQuiet) => {
    const made = document.createElement("button");
    made.type = "button";
    made.textContent = text;
    if (isQuiet) made.className = "quiet";
    made.addEventListener("click", does);
    row.append(made);
  };
  if (isWhole) button(_("Send"), () => send(k), k.shared);
  else button(_("Keep what was recorded"), () => keepBroken(k));
  button(_("Throw away"), async (event) => {
    if (event.target.dataset.isSure) { await store.drop(k.uid); home(); return; }
    event.target.dataset.isSure = "yes";
    event.target.textContent = _("Press again to throw it away");
  }, true);
  card.append(heading, words, row);
  return card;
}

// A set of a plan that this page does not have any more, as its row kept it.
const ofRow = (k) => ({
  exercise: k.exercise, side: k.side, number: k.set_number, name: k.name ?? k.exercise, support: k.support,
  plannedKg: k.planned_kg ?? null, painLimit: k.pain_limit ?? null, painOrigin: k.pain_origin ?? "none",
});

async function keepBroken(k) {
  const recording = await store.recording(k.uid, k.type);
  if (!recording.size) { await store.drop(k.uid); await home(); fault(_("Nothing of it was recorded.")); return; }
  now = { of: setFacts(k) ?? ofRow(k), uid: k.uid };
  const isHurt = (await store.log()).some((a) => a.of === k.uid && a.moment === "stopped");
  await after(k, isHurt);
}

// -- one set

async function held(exercise) {
  const s = await standing();
  if (!s.isHeld && !s.leftOut.includes(exercise)) return false;
  fillHold($("hold"), s);
  show("hold");
  return true;
}

async function askDay(groups) {
  for (const g of groups) {
    const fields = await ask(`check-${g.id}`);
    await say("today", { symptoms: fields.getAll("symptom"), asked: g.questions });
    if (await held(now.of.exercise)) return false;
  }
  return true;
}

async function start(of) {
  if (await held(of.exercise)) return;
  now = { of, uid: null };
  const groups = await openGroups();
  const isFresh = groups.length > 0;
  if (isFresh && !await askDay(groups)) return;
  for (const at of document.querySelectorAll(".no-limit")) at.hidden = of.painOrigin !== "none";
  const fields = await ask("ask-before", of.name);
  now.before = await say("before", { pain: number(fields, "pain") });
  if (await held(of.exercise)) return;
  if (!isFresh) {
    const said = (await store.log()).filter((a) => a.day === today() && a.moment === "today").at(-1);
    for (const at of document.querySelectorAll(".asked-at")) at.textContent = new Date(said.at).toTimeString().slice(0, 5);
    const isNew = (await ask("ask-new", of.name)).get("new") === "yes";
    if (isNew && !await askDay(facts.dayGroups)) return;
  }
  show(of.card, of.name);
}

function toRecord() {
  if (Date.parse(nowUtc()) - Date.parse(now.before.at) > facts.holdsMs) { start(now.of); return; }
  show("record", now.of.name);
  $("clip").value = "";
  $("say").textContent = "";
}

// The row of the set is on the phone before its first piece.
async function begin(type) {
  const { of } = now;
  const uid = newId();
  await store.keepSet({
    uid, exercise: of.exercise, side: of.side, set_number: of.number, day: today(), began: nowUtc(), type,
    suffix: type.includes("mp4") ? ".mp4" : ".webm", support: of.support, load_kg: of.plannedKg ? null : of.plannedKg, state: "recording",
    name: of.name, planned_kg: of.plannedKg, pain_limit: of.painLimit, pain_origin: of.painOrigin, prescription: facts.prescription,
  });
  await store.resay({ ...now.before, of: uid });
  now.uid = uid;
  return uid;
}

const setNow = async () => (await store.sets()).find((k) => k.uid === now.uid);

const recorder = new Recorder($, voice, store, async ({ words, isHurt, isBroken }) => {
  if (isBroken) { offerClip(words); return; }
  await after(await setNow(), isHurt);
});
recorder.hurt = (atS) => say("stopped", { at_s: atS, set_uid: now.uid }, now.uid);

async function stopBefore() {
  recorder.close();
  await say("stopped", {});
  await afterHurt();
}

function offerClip(why) {
  $("clip-why").textContent = `${why} ${_("Film with the phone's own camera instead.")}`;
  $("clip-why").hidden = false;
  $("clip").focus();
}

async function takeClip(file) {
  const suffix = (file.name.match(/\.[a-z0-9]+$/i)?.[0] ?? "").toLowerCase();
  if (!file.type.startsWith("video/") && !facts.suffixes.includes(suffix)) { fault(_("This is no video. Choose the clip of this set.")); return; }
  const found = facts.suffixes.includes(suffix) ? suffix : { "video/mp4": ".mp4", "video/quicktime": ".mov", "video/webm": ".webm" }[file.type];
  if (!found) { fault(_("A clip of this kind (%(kind)s) cannot be taken. Set the phone's camera to MP4.", { kind: file.type })); return; }
  if (file.size > facts.mostBytes) { fault(_("This clip has %(size)s MB; at most %(most)s MB can be sent. Film only the set, or set the camera to 1080p and 30 pictures a second.", { size: numberWords(file.size / 1e6), most: numberWords(facts.mostBytes / 1e6) })); return; }
  if (!file.size) { fault(_("This clip is empty. Film the set again.")); return; }
  $("say").textContent = _("The clip is being taken in.");
  try {
    const uid = await begin(file.type || "video/mp4");
    await store.keepSet({ ...await setNow(), suffix: found, state: "clip" });
    for (let n = 0; n * PIECE_BYTES < file.size; n += 1) await store.piece(uid, n, file.slice(n * PIECE_BYTES, (n + 1) * PIECE_BYTES));
    await store.keepSet({ ...await setNow(), suffix: found, state: "answers" });
  } catch {
    if (now.uid) await store.drop(now.uid);
    fault(_("The phone has no room for this clip. Nothing of it was kept. Make room, and choose it again."));
    return;
  }
  await after(await setNow(), false);
}

async function askAfter(isHurt) {
  const given = {};
  for (const at of document.querySelectorAll(".is-hurt")) at.hidden = !isHurt;
  for (const at of document.querySelectorAll(".after-title")) at.textContent = isHurt ? _("You stopped because it hurt") : _("After the set");
  if (!isHurt) voice.say(_("Now a few questions."), [520]);
  for (const name of facts.after) given[name] = number(await ask(`after-${name}`, now.of.name), `after_${name}`);
  given.symptoms = [];
  given.asked = [];
  for (const g of facts.setGroups) {
    const fields = await ask(`signs-${g.id}`, now.of.name);
    given.symptoms.push(...fields.getAll("symptom"));
    given.asked.push(...g.questions);
  }
  return given;
}

async function after(k, isHurt) {
  await store.keepSet({ ...k, state: "answers" });
  let load = k.load_kg;
  if (now.of.plannedKg) {
    $("planned").textContent = numberWords(now.of.plannedKg, now.of.plannedKg % 1 ? 1 : 0);
    do {
      load = Number((await ask("ask-load", now.of.name)).get("load_kg").replace(",", ".") || NaN);
      if (!(load >= 0 && load <= 500)) { load = null; }
    } while (load === null);
  }
  await say("after", await askAfter(isHurt), k.uid);
  const whole = { ...k, load_kg: load, state: "ready", shared: false };
  await store.keepSet(whole);
  if (!await held(now.of.exercise)) await send(whole);
}

// After "It hurts, stop" of which no recording came.
async function afterHurt() {
  await say("after", await askAfter(true));
  if (!await held(now.of.exercise)) home();
}

async function sayHow() {
  const { stop } = await standing();
  const of = stop && facts.sets.find((f) => f.exercise === stop.exercise && f.side === stop.side && f.number === stop.set_number);
  if (!of) { home(); return; }
  const broken = (await store.sets()).find((k) => k.uid === stop.of && k.state !== "ready");
  if (broken) { keepBroken(broken); return; }
  now = { of, uid: null };
  await afterHurt();
}

async function sayDone() {
  const s = await standing();
  fillHold($("done"), s);
  $("acted-not_meant").hidden = !s.mayBeTakenBack;
  const fields = await ask("done");
  await say("acted", { acted: fields.get("acted") });
  home();
}

// -- the sealed file

const travels = ({ of, key, ...answer }) => answer;

async function send(k) {
  sealed = null;
  sending = k;
  show("send", setFacts(k)?.name ?? k.name ?? k.exercise);
  $("share").hidden = true;
  $("save").hidden = true;
  $("send-told").textContent = _("The file is being made…");
  const log = await store.log(), since = today(new Date(Date.now() - facts.logDays * 86_400_000));
  const about = {
    uid: k.uid, exercise: k.exercise, side: k.side, set_number: k.set_number, day: k.day, is_mirrored: false, origin: "phone",
    support: k.support, load_kg: k.load_kg, prescription_sha256: k.prescription ?? null,
    answers: log.filter((a) => a.of === k.uid).map(travels),
    log: { answers: log.filter((a) => a.of === null && a.day >= since).map(travels), ticks: [], taken_back: [] },
  };
  try {
    const made = await sealedSet(facts, about, await store.recording(k.uid, k.type), k.suffix);
    if (sending !== k) return;
    const name = `${facts.patient}_${k.exercise}_${k.day}_${k.uid.slice(0, 8)}${facts.suffix}`;
    sealed = new File([made], name, { type: "application/octet-stream" });
  } catch {
    $("send-told").textContent = _("The file could not be made. What was recorded is kept; try again.");
    return;
  }
  if ($("save").href) URL.revokeObjectURL($("save").href);
  $("save").href = URL.createObjectURL(sealed);
  $("save").download = sealed.name;
  $("save").hidden = false;
  const canShare = navigator.canShare?.({ files: [sealed] }) === true;
  $("share").hidden = !canShare;
  $("save").classList.toggle("quiet", canShare);
  $("send-told").textContent = _("The file is ready: %(size)s MB.", { size: numberWords(sealed.size / 1e6, 1) });
}

async function markShared(words) {
  $("send-told").textContent = words;
  sending = { ...sending, shared: true };
  await store.keepSet(sending);
}

// -- buttons

document.addEventListener("click", (event) => {
  const at = event.target.closest("button");
  if (!at) return;
  if (at.matches(".start")) { voice.wake(); start(setFacts(at.dataset)); }
  if (at.matches(".go-home")) { recorder.close(); home(); }
  if (at.matches(".to-record")) toRecord();
  if (at.matches(".hold-way")) standing().then((s) => (s.until === "asked" ? sayHow() : sayDone()));
});
$("camera").addEventListener("click", async () => {
  const why = await recorder.turnOn(now.of);
  if (why) offerClip(why);
});
$("now").addEventListener("click", () => recorder.countdown(Number($("countdown").value), begin));
$("hurts").addEventListener("click", () => (recorder.state === "recording" ? recorder.end(_("Stopped."), { isHurt: true }) : stopBefore()));
$("stop").addEventListener("click", () => (recorder.state === "recording" ? recorder.end(_("Stopped.")) : recorder.breakOff()));
$("clip-hurts").addEventListener("click", stopBefore);
$("clip").addEventListener("change", (event) => { if (event.target.files[0]) takeClip(event.target.files[0]); });
$("voice").checked = voice.isOn;
$("voice").addEventListener("change", (event) => voice.set(event.target.checked));
document.addEventListener("keydown", (event) => {
  if (event.key !== "Escape") return;
  if (recorder.state === "recording") recorder.end(_("Stopped."));
  else if (recorder.state === "countdown") recorder.breakOff();
});
$("share").addEventListener("click", async () => {
  try {
    await navigator.share({ files: [sealed], title: sealed.name });
    await markShared(_("It was handed on. It stays here until you delete it."));
  } catch (error) {
    if (error.name !== "AbortError") $("send-told").textContent = _("This browser could not hand the file on. Save it, and send it from there.");
  }
});
$("save").addEventListener("click", () => markShared(_("It was saved among your downloads. Send it to your clinic from there.")));
$("forget").addEventListener("click", async () => { if (sending) await store.forget(sending.uid); home(); });

await store.open(`formcheck ${facts.patient}`);
await home();
