// Ticks all unremarkable sets of a patient; each can be ticked by itself without this.
for (const button of document.querySelectorAll("[data-tick]")) {
  const boxes = [...document.querySelectorAll(`#${button.dataset.tick} input[name=uid]`)];
  button.hidden = boxes.length < 2;
  button.addEventListener("click", () => {
    for (const box of boxes) box.checked = true;
  });
}
