// The job page draws itself afresh when a sweep of this job ends.
"use strict";
(() => {
  const job = Number(document.getElementById("job").dataset.job);
  let stream;
  const listen = () => {
    stream = new EventSource("/api/v1/live");
    stream.addEventListener("sweep", e => { if (JSON.parse(e.data).job === job) freshSoon(); });
    stream.addEventListener("gap", freshSoon);
  };
  document.addEventListener("visibilitychange", () => {
    if (document.hidden) stream.close(); else { listen(); freshSoon(); }
  });
  if (!document.hidden) listen(); else stream = { close() {} };
})();
