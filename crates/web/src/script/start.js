// What the pages can do beyond reading. Every page is whole without it.
"use strict";
const fw = (() => {
  const { comma, psi, fahrenheit } = document.documentElement.dataset;
  const sign = (text) => comma ? text.replace(".", ",") : text;
  // The reader's units: factor and offset, as the server has them.
  const unit = (name) => psi && name === "bar" ? ["psi", 14.503774, 0] : fahrenheit && name === "°C" ? ["°F", 1.8, 32] : [{ deg: "°", Ohm: "Ω" }[name] || name, 1, 0];
  const known = (v) => v !== null && v !== undefined && !Number.isNaN(v);
  const fixed = (v, n) => known(v) ? sign(v.toFixed(n)) : "-";
  const number = (v) => known(v) ? fixed(v, Math.abs(v) >= 100 ? 0 : Math.abs(v) >= 10 ? 1 : 2) : "-";
  const quantity = (v, name) => { const [shown, factor, offset] = unit(name); return `${number(known(v) ? v * factor + offset : v)} ${shown}`; };
  const make = (tag, text, className) => { const e = document.createElement(tag); if (text !== undefined) e.textContent = text; if (className) e.className = className; return e; };
  return { fixed, number, quantity, unit, make, known };
})();

// Keys are those of the links that carry them.
document.addEventListener("keydown", (event) => {
  if (event.ctrlKey || event.metaKey || event.altKey || event.target.closest("input, textarea, select")) return;
  const link = document.querySelector(`a[data-key="${CSS.escape(event.key)}"]`);
  if (link) { event.preventDefault(); link.click(); }
});
