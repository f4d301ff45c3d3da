"use strict";
// Keeps the page current. The server sends each part that changed, as HTML that it escaped itself.
(() => {
  const connection = document.getElementById("connection");
  const SILENT = 15000; // The page is made anew each second.
  let source, wait = 1000, heard = Date.now(), stale = null;

  const clock = (ms) => new Date(ms).toLocaleTimeString();
  const say = (text, isStale) => {
    if (connection.textContent !== text) connection.textContent = text;
    connection.classList.toggle("stale", isStale);
  };

  const alive = () => {
    heard = Date.now();
    wait = 1000;
    if (stale !== false) { stale = false; say("Current; it renews itself.", false); }
  };
  const lost = () => {
    stale = true;
    say(`NOT CURRENT: nothing has come since ${clock(heard)}. Is dropline still running?`, true);
  };

  // What has the focus keeps it, whatever is put in its place.
  const FOCUSABLE = "a[href], input, button, summary";
  const replace = (part, html) => {
    const at = [...part.querySelectorAll(FOCUSABLE)].indexOf(document.activeElement);
    part.innerHTML = html;
    if (at >= 0) {
      const same = part.querySelectorAll(FOCUSABLE)[at];
      if (same) same.focus({ preventScroll: true });
    }
  };

  const connect = () => {
    source = new EventSource("events");
    source.addEventListener("title", (event) => { document.title = JSON.parse(event.data); });
    source.addEventListener("part", (event) => {
      alive();
      const { id, html } = JSON.parse(event.data);
      const part = document.getElementById(id);
      if (part) replace(part, html);
    });
    source.addEventListener("alive", alive);
    source.addEventListener("error", again);
  };
  const again = () => {
    source.close();
    lost();
    setTimeout(connect, wait);
    wait = Math.min(2 * wait, 15000);
  };

  setInterval(() => {
    if (Date.now() - heard > SILENT && !stale) again();
  }, 1000);
  connect();
})();
