// One key wherever nobody types: the next set to be reviewed.
document.addEventListener("keydown", (event) => {
  if (event.ctrlKey || event.metaKey || event.altKey || event.target.closest("input, textarea, select")) return;
  if (event.key === "N") document.getElementById("next-set")?.click();
});
