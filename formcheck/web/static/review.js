// Video, trace and table of one set, each moving the others.
import { besideIt } from "/static/beside.js";
import { drawStrip } from "/static/strip.js";
import { Trace } from "/static/trace.js";

const player = document.getElementById("player");
const video = document.getElementById("video");
const time = document.getElementById("time");
const playButton = document.getElementById("play");
const overlayButton = document.getElementById("overlay");
const rows = [...document.querySelectorAll("#reps tr[data-from]")];
const repetitions = rows.map((row) => ({
  from: Number(row.dataset.from), to: Number(row.dataset.to), turn: Number(row.dataset.turn), label: row.dataset.label,
  isOut: row.dataset.out === "yes",
}));
const rate = Number(player.dataset.rate);
const loopButton = document.getElementById("loop");
let until = null;
let looped = null;
let trace = null;

const seek = (at) => { video.currentTime = Math.min(Math.max(at, 0), video.duration || at); };
const play = () => video.play().catch(() => {});

function playStretch(from, to) {
  until = to;
  if (looped) setLoop(repetitions.find((r) => from >= r.from && from <= r.to) || null);
  seek(from);
  if (to !== null) play();
}

function stepPictures(n) {
  video.pause();
  // To the middle of the neighbouring picture: an edge may show either side.
  seek((Math.floor(video.currentTime * rate + 1e-3) + n + 0.5) / rate);
}

function setSpeed(speed) {
  video.playbackRate = speed;
  for (const b of player.querySelectorAll("[data-speed]")) {
    b.setAttribute("aria-pressed", String(Number(b.dataset.speed) === speed));
  }
}

function toggleOverlay() {
  if (video.dataset.hasOverlay !== "yes") return;
  const isOn = overlayButton.getAttribute("aria-pressed") !== "true";
  const at = video.currentTime, wasPlaying = !video.paused, speed = video.playbackRate;
  overlayButton.setAttribute("aria-pressed", String(isOn));
  video.src = isOn ? video.dataset.overlay : video.dataset.recording;
  video.addEventListener("loadedmetadata", () => {
    video.currentTime = at;
    video.playbackRate = speed;
    if (wasPlaying) play();
  }, { once: true });
}

function setLoop(repetition) {
  looped = repetition;
  loopButton.setAttribute("aria-pressed", String(Boolean(looped)));
}

function toggleLoop() {
  const now = video.currentTime;
  const here = repetitions.find((r) => now >= r.from && now <= r.to) || repetitions.find((r) => r.from > now) || repetitions[0];
  setLoop(looped ? null : here || null);
  if (looped) { until = null; seek(looped.from); play(); }
}

function nextRepetition(n) {
  const now = video.currentTime + 1e-3;
  const at = n > 0 ? repetitions.find((r) => r.from > now) : [...repetitions].reverse().find((r) => r.to < now);
  if (at) playStretch(at.from, at.to);
}

function follow() {
  const now = video.currentTime;
  if (looped && !video.paused && now >= looped.to) { seek(looped.from); return; }
  if (until !== null && now >= until) { until = null; video.pause(); }
  time.textContent = `${now.toFixed(2)} s`;
  rows.forEach((row, i) => row.classList.toggle("now", now >= repetitions[i].from && now <= repetitions[i].to));
  if (trace) trace.follow(now);
}

function tick() {
  follow();
  if (!video.paused) requestAnimationFrame(tick);
}

video.addEventListener("play", () => { playButton.textContent = "Pause"; tick(); });
video.addEventListener("pause", () => { playButton.textContent = "Play"; follow(); });
video.addEventListener("seeked", follow);
video.addEventListener("timeupdate", follow);
video.addEventListener("click", () => (video.paused ? play() : video.pause()));
playButton.addEventListener("click", () => { until = null; if (video.paused) play(); else video.pause(); });
document.getElementById("back").addEventListener("click", () => stepPictures(-1));
document.getElementById("forward").addEventListener("click", () => stepPictures(1));
overlayButton.addEventListener("click", toggleOverlay);
loopButton.addEventListener("click", toggleLoop);
for (const at of document.querySelectorAll("[data-at]")) {
  at.addEventListener("click", () => { until = null; video.pause(); seek(Number(at.dataset.at)); player.scrollIntoView({ block: "nearest" }); });
}
for (const b of player.querySelectorAll("[data-speed]")) {
  b.addEventListener("click", () => setSpeed(Number(b.dataset.speed)));
}
rows.forEach((row, i) => {
  row.querySelector("[data-play]").addEventListener("click", () => {
    playStretch(repetitions[i].from, repetitions[i].to);
    for (const select of document.querySelectorAll("[data-rep-select]")) { select.value = String(i); fill(select); }
  });
});

// Keys work while the player has the focus, so that they never get in the way of typing.
player.addEventListener("keydown", (event) => {
  if (event.ctrlKey || event.metaKey || event.altKey) return;
  const isButton = event.target.closest("button");
  const keys = {
    ArrowLeft: () => (event.shiftKey ? seek(video.currentTime - 1) : stepPictures(-1)),
    ArrowRight: () => (event.shiftKey ? seek(video.currentTime + 1) : stepPictures(1)),
    1: () => setSpeed(1), 2: () => setSpeed(0.5), 4: () => setSpeed(0.25),
    o: toggleOverlay, l: toggleLoop, n: () => nextRepetition(1), p: () => nextRepetition(-1),
  };
  if (!isButton) keys[" "] = () => playButton.click();
  const act = keys[event.key];
  if (!act) return;
  event.preventDefault();
  act();
});

// The list of keys opens wherever nobody types.
const dialog = document.getElementById("keys-dialog");
document.getElementById("keys-open").addEventListener("click", () => dialog.showModal());
document.addEventListener("keydown", (event) => {
  if (event.ctrlKey || event.metaKey || event.altKey || event.target.closest("input, textarea, select")) return;
  if (event.key === "?" && !dialog.open) dialog.showModal();
});

// The forms for corrections take their moments from the video.
function fill(select) {
  const chosen = select.selectedOptions[0];
  const form = select.form;
  if (form.elements.start_s) {
    form.elements.start_s.value = chosen.dataset.start;
    form.elements.end_s.value = chosen.dataset.end;
  }
}
for (const select of document.querySelectorAll("[data-rep-select]")) {
  fill(select);
  select.addEventListener("change", () => fill(select));
}
for (const button of document.querySelectorAll("[data-now]")) {
  button.addEventListener("click", () => {
    document.getElementById(button.dataset.now).value = video.currentTime.toFixed(2);
  });
}
const moment = document.querySelector("[data-moment]");
if (moment) {
  moment.closest("details").addEventListener("toggle", () => {
    if (!moment.value) moment.value = video.currentTime.toFixed(2); // what was typed stays
  });
}

const notes = (document.getElementById("trace").dataset.notes.match(/[\d.]+/g) || []).map(Number);
const answer = await fetch(player.dataset.trace).catch(() => null);
if (answer?.ok) {
  const found = await answer.json();
  document.getElementById("trace-name").textContent =
    `${found.label[0].toUpperCase()}${found.label.slice(1)} over time. Choose a repetition, or drag to a moment.`;
  trace = new Trace(document.getElementById("trace-box"), found, repetitions, notes, playStretch, (at) => {
    until = null;
    video.pause();
    seek(at);
  });
} else {
  document.getElementById("trace-name").textContent =
    "The movement over time could not be loaded; load the page again. The numbers stand in the table of repetitions.";
}

besideIt(video, repetitions);
drawStrip(document.getElementById("strip"), video, repetitions, (r) => {
  until = null;
  video.pause();
  seek(r.turn);
  player.scrollIntoView({ block: "nearest" });
});
