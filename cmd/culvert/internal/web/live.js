// Keeps the page as the daemon sees the site, without loading it anew: what the server
// renders is put in the place of what is shown. Without this script the page is whole too.
"use strict";
(() => {
  const notice = document.getElementById("live");
  let shown = document.getElementById("meshes").dataset.state;
  let loading = false;

  async function load() {
    if (loading || document.hidden) return;
    loading = true;
    try {
      const answer = await fetch("./", { cache: "no-store" });
      if (!answer.ok) throw new Error(answer.statusText);
      show(new DOMParser().parseFromString(await answer.text(), "text/html"));
      notice.textContent = "";
    } catch {
      notice.textContent = "The gateway does not answer: what is shown is as old as the time above says.";
    } finally {
      loading = false;
    }
  }

  function show(page) {
    const old = document.getElementById("meshes");
    const next = document.adoptNode(page.getElementById("meshes"));
    const focused = old.contains(document.activeElement) ? document.activeElement.id : "";
    const left = new Map([...old.querySelectorAll(".wide")].map((e) => [e.id, e.scrollLeft]));
    old.replaceWith(next);
    for (const [id, x] of left) {
      const e = document.getElementById(id);
      if (e) e.scrollLeft = x;
    }
    if (focused) document.getElementById(focused)?.focus({ preventScroll: true });
    document.getElementById("at").textContent = page.getElementById("at").textContent;
    shown = next.dataset.state;
  }

  const events = new EventSource("events");
  events.addEventListener("state", (e) => { if (e.data !== shown) load(); });
  events.onerror = load; // it says whether the gateway is there
  setInterval(load, 30000); // ages grow without an event, and there may be no room for another stream
  document.addEventListener("visibilitychange", load);
})();
