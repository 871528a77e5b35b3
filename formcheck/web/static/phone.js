// The page with the code goes on by itself: to the paired phone, or to a new code when it is over.
const code = document.querySelector("[data-phone-state]");

async function look() {
  const answer = await fetch(code.dataset.phoneState);
  if (!answer.ok) return;
  const now = await answer.json();
  if (!now.is_waiting || now.n_paired !== Number(code.dataset.paired)) location.assign(code.dataset.phoneState.replace(/\/state$/, ""));
}

if (code) setInterval(() => look().catch(() => {}), 2000);
