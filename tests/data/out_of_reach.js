() => {
  const usable =
    "a[href], button, input:not([type=hidden]), select, textarea, summary, video[controls], [tabindex]";
  // Given the focus by a script, or there for the Enter key alone.
  const told = "main, h1, h2, form, [role=status], [role=alert], [aria-hidden=true]";
  const isSeen = (e) => e.checkVisibility({ visibilityProperty: true }) && e.getClientRects().length;
  const hasRing = (e) => {
    const style = getComputedStyle(e);
    return style.outlineStyle !== "none" && parseFloat(style.outlineWidth) >= 2;
  };
  const found = [];
  const say = (words, e) => found.push(`${words}: ${e.outerHTML.slice(0, 100)}`);
  for (const e of document.body.querySelectorAll("*")) {
    if (!isSeen(e) || e.disabled) continue;
    if (!e.matches(usable)) {
      const hasHand = (o) => o && getComputedStyle(o).cursor === "pointer";
      // The outermost with a hand is what is pressed; a row may do what the link of its time does.
      if (!hasHand(e) || hasHand(e.parentElement)) continue;
      const from = e.dataset.from;
      const twin = from && document.querySelector(`a[data-from="${from}"], button[data-from="${from}"]`);
      if (!twin && !e.closest(`${usable}, label`) && !e.querySelector(usable)) say("pointer alone", e);
    } else if (e.tabIndex < 0) {
      // The points of a chart are one stop; the arrow keys reach the others (a test of their own).
      const chart = e.closest("[data-points]");
      const stops = chart ? [...chart.querySelectorAll("a")].filter((p) => p.tabIndex === 0) : [];
      if (!e.matches(told) && stops.length !== 1) say("no Tab", e);
    } else {
      if (e.tabIndex > 0) say("out of order", e);
      e.focus({ focusVisible: true, preventScroll: true });
      const rings = [e, e.nextElementSibling].filter(Boolean);
      if (document.activeElement !== e || !rings.some(hasRing)) say("no focus shown", e);
    }
  }
  document.activeElement?.blur();
  return found;
}
