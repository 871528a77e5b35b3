// Another set beside this one: both show the same repetition from its start.
export function besideIt(video, repetitions) {
  const select = document.getElementById("beside-which");
  const other = document.getElementById("beside");
  if (!select) return;
  let starts = [];

  const align = () => {
    if (other.hidden || !starts.length || !repetitions.length) return;
    const now = video.currentTime;
    let k = repetitions.findIndex((r) => now <= r.to);
    if (k < 0) k = repetitions.length - 1;
    k = Math.min(k, starts.length - 1);
    const at = Math.max(starts[k] + now - repetitions[k].from, 0);
    if (Math.abs(other.currentTime - at) > (video.paused ? 0.01 : 0.12)) other.currentTime = at;
  };

  select.addEventListener("change", async () => {
    const chosen = select.selectedOptions[0];
    other.pause();
    other.hidden = !chosen.value;
    if (!chosen.value) { other.removeAttribute("src"); other.load(); return; }
    const answer = await fetch(chosen.dataset.starts).catch(() => null);
    starts = answer?.ok ? await answer.json() : [];
    other.preload = "auto";
    other.src = chosen.value;
    other.addEventListener("loadedmetadata", align, { once: true });
  });
  video.addEventListener("play", () => { if (!other.hidden) { align(); other.play().catch(() => {}); } });
  video.addEventListener("pause", () => { other.pause(); align(); });
  video.addEventListener("seeked", align);
  video.addEventListener("timeupdate", align);
  video.addEventListener("ratechange", () => { other.playbackRate = video.playbackRate; });
}
