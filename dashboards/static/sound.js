// Three sounds of our own, off until asked for: ticks that quicken towards the
// top, two rising tones when a sweep is stored (after the commit), one low
// tone when a sweep cannot be used.
"use strict";
const Sound = (() => {
  let on = localStorage.getItem("sound") === "on", context = null, ticked = 0;
  const ready = () => { if (on && !context) context = new AudioContext(); if (context && context.state === "suspended") context.resume(); return on && context; };
  function tone(hz, at, seconds, level) {
    if (!ready()) return;
    const t = context.currentTime + at, o = context.createOscillator(), g = context.createGain();
    o.type = "triangle";
    o.frequency.value = hz;
    g.gain.setValueAtTime(0, t);
    g.gain.linearRampToValueAtTime(level, t + 0.01);
    g.gain.exponentialRampToValueAtTime(0.0001, t + seconds);
    o.connect(g).connect(context.destination);
    o.start(t);
    o.stop(t + seconds);
  }
  const played = name => document.dispatchEvent(new CustomEvent("sound", { detail: name }));
  return {
    get on() { return on; },
    set on(v) { on = v; localStorage.setItem("sound", v ? "on" : "off"); ready(); },
    // near ticks the quicker the fewer degrees are left.
    near(deg) {
      if (!on || deg > 15) return;
      const now = performance.now();
      if (now - ticked < 120 + 45 * deg) return;
      ticked = now;
      tone(880, 0, 0.04, 0.25);
      played("near");
    },
    stored() { if (!on) return; tone(523, 0, 0.18, 0.4); tone(784, 0.16, 0.3, 0.4); played("stored"); },
    rejected() { if (!on) return; tone(147, 0, 0.6, 0.5); played("rejected"); },
  };
})();
