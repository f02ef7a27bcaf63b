// The live stream, for every page that follows the bench: one stream a page,
// opened again by itself after a restart or a lost network, closed while the
// page is hidden. The program speaks four times a second at least; a page that
// has heard nothing for a second says so (body[data-live="no"]).
"use strict";
const Live = (() => {
  const heard = new Map(); // event → functions
  const silentMS = 800, again = 500;
  let stream = null, at = -Infinity, retry = 0;

  const call = (name, data) => (heard.get(name) || []).forEach(f => f(data));
  function state() {
    const now = performance.now() - at < silentMS ? "yes" : "no";
    if (document.body.dataset.live === now) return;
    document.body.dataset.live = now;
    call("live", now === "yes");
  }

  function open() {
    close();
    const s = new EventSource("/api/v1/live");
    stream = s;
    s.onopen = () => { news(); call("open"); };
    s.onerror = () => { at = -Infinity; state(); if (s.readyState === EventSource.CLOSED) { clearTimeout(retry); retry = setTimeout(open, again); } };
    for (const name of ["reading", "sweep", "notice", "calibration", "gap"]) s.addEventListener(name, e => { news(); call(name, JSON.parse(e.data)); });
  }
  function close() { if (stream) stream.close(); stream = null; clearTimeout(retry); }
  function news() { at = performance.now(); state(); }

  document.addEventListener("visibilitychange", () => { if (document.hidden) close(); else open(); });
  setInterval(state, 100);
  addEventListener("DOMContentLoaded", () => { if (!document.hidden) open(); });

  return {
    // on calls f with each event's data: reading, sweep, notice, calibration, gap, open (the
    // stream is there, maybe again), live (true or false, when that changes).
    on(name, f) { heard.set(name, [...(heard.get(name) || []), f]); return this; },
    silentMS,
  };
})();
