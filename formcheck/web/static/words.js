// The words of scripts in the page's language: the page brings them, by their English; what it does
// not bring is told in English. Values stand in as in the program's own messages: %(name)s.
const brought = document.getElementById("words");
const messages = brought ? JSON.parse(brought.textContent) : {};
export const language = document.documentElement.lang || "en";

export function _(message, values = {}) {
  const told = messages[message] || message;
  return told.replace(/%\((\w+)\)s/g, (found, name) => (name in values ? String(values[name]) : found));
}

// A number as the language writes it.
export const numberWords = (value, decimals = 0) => new Intl.NumberFormat(language, {
  minimumFractionDigits: decimals, maximumFractionDigits: decimals, useGrouping: false,
}).format(value);
