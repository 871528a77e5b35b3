// The end-range picture of each repetition, taken from the video itself.
const HEIGHT_PX = 224;

const once = (element, name) => new Promise((done) => element.addEventListener(name, done, { once: true }));

export async function drawStrip(box, video, repetitions, chosen) {
  if (!repetitions.length) { box.closest("section").hidden = true; return; }
  const places = repetitions.map((r) => {
    const button = document.createElement("button");
    button.type = "button";
    const picture = document.createElement("canvas");
    const name = document.createElement("span");
    name.textContent = `${r.label}: ${r.turn.toFixed(1)} s`;
    button.setAttribute("aria-label", `Go to the end range of repetition ${r.label}, ${r.turn.toFixed(1)} s`);
    button.append(picture, name);
    button.addEventListener("click", () => chosen(r));
    box.append(button);
    return picture;
  });
  // A second player, so that the one on the page stays where it is.
  const source = document.createElement("video");
  source.muted = true;
  source.preload = "auto";
  source.src = video.currentSrc || video.src;
  await once(source, "loadeddata");
  for (const [i, r] of repetitions.entries()) {
    const sought = once(source, "seeked");
    source.currentTime = Math.max(r.turn, 0.001);
    await sought;
    const picture = places[i];
    picture.height = HEIGHT_PX;
    picture.width = Math.round((HEIGHT_PX * source.videoWidth) / source.videoHeight);
    picture.getContext("2d").drawImage(source, 0, 0, picture.width, picture.height);
  }
  box.dataset.drawn = "yes";
}
