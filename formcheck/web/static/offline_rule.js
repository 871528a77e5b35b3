// Where the patient stands. What each answer asks for comes with the page, worked out by the
// program's own rule; here it is only followed through the days, as the program does it
// (tests compare the two).
const weight = (facts, level) => facts.levels.indexOf(level);

export function reasonsOf(facts, a) {
  const out = (a.symptoms ?? []).map((name) => facts.symptoms[name]);
  const pain = Math.max(a.pain ?? -1, a.pain_during ?? -1);
  const found = pain >= 0 ? facts.pains[`${a.pain_origin} ${a.pain_limit}`]?.[pain] : null;
  if (found) out.push(found);
  if (a.moment === "stopped") out.push(a.at_s === null ? facts.stopped.before : { ...facts.stopped.during, why: facts.stopped.during.why.replace("0:00", clockWords(a.at_s)) });
  if (a.acted === "told_to_wait") out.push(facts.toldToWait);
  return out;
}

export const clockWords = (seconds) => `${Math.floor(seconds / 60)}:${String(Math.floor(seconds % 60)).padStart(2, "0")}`;

export function levelOf(facts, a) {
  return reasonsOf(facts, a).reduce((most, r) => (weight(facts, r.level) > weight(facts, most) ? r.level : most), "start");
}

// {level, until, leftOut, why, title, isHeld, mayBeTakenBack} of a day, from all that was said, in its order.
export function standingOf(facts, log, day) {
  const isSure = (r) => !facts.takenBack.includes(r.code);
  let held = [], ofDay = [], leftOut = new Map(), stop = null;
  for (const a of log) {
    if (a.acted === "may_go_on") { held = []; ofDay = []; leftOut = new Map(); stop = null; continue; }
    if (a.acted === "not_meant") { held = held.filter(isSure); ofDay = ofDay.filter(isSure); continue; }
    if (a.acted === "told_to_wait") { held = []; ofDay = []; }
    if (a.moment === "after") stop = null;
    if (a.moment === "stopped") stop = a.day === day ? a : null;
    for (const r of reasonsOf(facts, a)) {
      if (["symptom", "told_to_wait"].includes(r.code) && ["call", "urgent"].includes(r.level)) held.push(r);
      else if (a.day === day && r.code === "stopped") leftOut.set(a.exercise, r);
      else if (a.day === day) ofDay.push(r);
    }
  }
  if (stop) ofDay.push(facts.stopNotTold);
  const found = [...held, ...ofDay, ...leftOut.values()];
  const level = found.reduce((most, r) => (weight(facts, r.level) > weight(facts, most) ? r.level : most), "start");
  const until = held.length ? "told" : ["start", "visit"].includes(level) ? ""
    : stop && level !== "call" ? "asked" : "day over";
  const mine = found.filter((r) => r.level === level);
  const isWaiting = mine.length > 0 && mine.every((r) => r.code === "told_to_wait");
  return {
    level, until, leftOut: [...leftOut.keys()].sort(), stop,
    mayBeTakenBack: !mine.every(isSure),
    isHeld: ["call", "urgent"].includes(level) || until === "asked",
    title: until === "asked" ? facts.titles.asked : isWaiting ? facts.titles.told_to_wait : facts.titles[level],
    why: [...new Set(mine.map((r) => r.why).filter(Boolean))].join(" "),
  };
}
