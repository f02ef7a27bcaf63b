// Four keys do everything: ← and → move through what can be pressed, Enter
// presses it, Backspace takes the page's way back (data-back). A pedal or a
// number pad that sends these keys will do.
"use strict";

// t is a text in the page's language; args fill its %s. A page hands its
// scripts' texts over in meta[name=texts].
const t = (() => {
  const texts = Object.assign({}, ...[...document.querySelectorAll("meta[name=texts]")].map(m => JSON.parse(m.content)));
  return (key, ...args) => {
    let next = 0;
    return (texts[key] || key).replace(/%(?:\[(\d)\])?s/g, (hole, n) => args[n ? n - 1 : next++] ?? hole);
  };
})();

(() => {
  const typing = n => n && (n.tagName === "TEXTAREA" || n.tagName === "INPUT" && !/^(radio|checkbox|button|submit|range)$/.test(n.type));
  const reach = () => [...document.querySelectorAll("a[href], button:not(:disabled), input:not([type=hidden]):not(:disabled), select:not(:disabled), summary, [tabindex='0']")]
    .filter(n => n.checkVisibility({ visibilityProperty: true }) && !n.matches(".skip"));
  // Where nothing is chosen yet the page's main button is.
  const first = all => all.find(n => n.matches(".main")) || all.find(n => n.closest("main")) || all[0];

  function move(step) {
    const all = reach(), at = all.indexOf(document.activeElement);
    const to = at < 0 ? first(all) : all[(at + step + all.length) % all.length];
    if (!to) return;
    to.focus();
    to.scrollIntoView({ block: "nearest" });
  }

  document.addEventListener("keydown", e => {
    if (e.ctrlKey || e.altKey || e.metaKey || e.defaultPrevented) return;
    const here = document.activeElement;
    switch (e.key) {
      case "ArrowLeft": case "ArrowRight": {
        // In a field the arrows move the caret until they come to its end.
        const step = e.key === "ArrowRight" ? 1 : -1;
        if (typing(here) && here.selectionStart !== null && here.value !== "" && here.selectionStart !== (step > 0 ? here.value.length : 0)) return;
        if (here && here.matches("input[type=radio], input[type=range], [data-own-arrows]")) return;
        e.preventDefault();
        move(step);
        return;
      }
      case "Enter": {
        if (here && here !== document.body && here.matches("a, button, input, select, summary, textarea")) return;
        const main = first(reach());
        if (main && main.matches(".main")) { e.preventDefault(); main.click(); }
        return;
      }
      case "Backspace": {
        if (typing(here)) return;
        const back = [...document.querySelectorAll("[data-back]")].find(n => n.checkVisibility());
        if (back) { e.preventDefault(); back.click(); }
      }
    }
  });
})();
