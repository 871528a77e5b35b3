// The secret stands behind the # of the link, which a browser never sends: it goes into the form.
const field = document.getElementById("secret");

function enter() {
  const secret = location.hash.slice(1);
  if (!secret) return;
  history.replaceState(null, "", location.pathname);
  field.value = secret;
  field.form.submit();
}

// A link pasted where this page is open already only changes what stands behind the #.
addEventListener("hashchange", enter);
enter();
