// Keeps a page up to date: whatever the server says is new is fetched as the page it would be, and put in its place without
// moving what somebody reads, types or has opened. Everything works without this file, by a reload.
"use strict";

(() => {
  const main = document.getElementById("main");
  const said = document.getElementById("connection");
  const topic = main.dataset.live;
  if (!topic || !window.EventSource) return;

  // A connection that is neither opened nor refused is given up, and so is a page that does not come.
  const FIRST_MS = 1000, MOST_MS = 30000, OPEN_MS = 20000, PAGE_MS = 60000;
  let source = null, wait = FIRST_MS, timer = 0, lost = false, busy = false, again = false;

  function say(text) {
    if (said.textContent !== text) said.textContent = text;
  }

  // What somebody typed, chose or opened is theirs, whatever the page would be like afresh.
  function keep(before, after) {
    if (before instanceof HTMLDetailsElement) after.open = before.open;
    if (before instanceof HTMLTextAreaElement || before instanceof HTMLSelectElement) return false;
    if (before instanceof HTMLInputElement && before.type !== "hidden") return false;
    return true;
  }

  async function renew() {
    if (busy) {
      again = true;
      return;
    }
    busy = true;
    try {
      const answer = await fetch(location.href, { credentials: "same-origin", cache: "no-store", signal: AbortSignal.timeout(PAGE_MS) });
      if (answer.redirected && new URL(answer.url).pathname === "/sign-in") {
        stop();
        say("You are signed out. Open this page again to sign in.");
        return;
      }
      if (!answer.ok) throw new Error(String(answer.status));
      const text = await answer.text();
      const fresh = new DOMParser().parseFromString(text, "text/html").getElementById("main");
      Idiomorph.morph(main, fresh.innerHTML, { morphStyle: "innerHTML", ignoreActiveValue: true, callbacks: { beforeNodeMorphed: keep } });
      document.dispatchEvent(new Event("renewed"));
    } finally {
      busy = false;
      if (again) {
        again = false;
        renew().catch(away);
      }
    }
  }

  function away() {
    stop();
    lost = true;
    say("The connection is lost. What is shown may be old; it is tried again.");
    timer = setTimeout(listen, wait * (0.75 + Math.random() / 2));
    wait = Math.min(MOST_MS, wait * 2);
  }

  function stop() {
    clearTimeout(timer);
    if (source) source.close();
    source = null;
  }

  function listen() {
    stop();
    source = new EventSource("/live?watch=" + encodeURIComponent(topic));
    timer = setTimeout(away, OPEN_MS);
    source.addEventListener("open", () => {
      clearTimeout(timer);
      renew().then(() => {
        wait = FIRST_MS;
        if (lost && source) say("The connection is back. What is shown is up to date.");
        lost = false;
      }).catch(away);
    });
    source.addEventListener("news", () => renew().catch(away));
    source.addEventListener("error", away);
  }

  document.addEventListener("visibilitychange", () => (document.hidden ? stop() : listen()));
  window.addEventListener("pagehide", stop);
  window.addEventListener("pageshow", (event) => event.persisted && listen());
  if (!document.hidden) listen();
})();
