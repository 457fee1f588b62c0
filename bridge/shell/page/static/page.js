// Keeps the page up to date: parts that have changed come over one stream, and times count by
// themselves. Without this script the page reloads instead.
"use strict";
(() => {
  const body = document.body;
  let base = Number(body.dataset.now), heard = performance.now();
  const speed = Number(body.dataset.speed) || 1;
  const now = () => base + (performance.now() - heard) / 1000 * speed;
  window.tidegate = { now, speed };

  const words = (seconds) => {
    const s = Math.max(0, seconds);
    if (s < 90) return `${Math.round(s)} s`;
    if (s < 5400) return `${Math.round(s / 60)} min`;
    if (s < 172800) return `${Math.round(s / 3600)} h`;
    return `${Math.round(s / 86400)} days`;
  };
  const put = (element, text) => { if (element.textContent !== text) element.textContent = text; };
  const local = new Intl.DateTimeFormat(undefined, { dateStyle: "medium", timeStyle: "short" });
  const count = () => {
    for (const e of document.querySelectorAll("[data-ago]")) put(e, words(now() - e.dataset.ago));
    for (const e of document.querySelectorAll("[data-left]")) {
      const left = e.dataset.left - now();
      put(e, left > 0 ? words(left) : e.dataset.over);
    }
    for (const e of document.querySelectorAll("[data-at]")) put(e, local.format(e.dataset.at * 1000));
  };
  count();
  setInterval(count, 1000);

  const lost = document.getElementById("lost"), spoken = document.getElementById("spoken");
  const LOST_MS = 25000, BROKEN_MS = 6000;
  let timer, broken = false;

  const old = (is) => {
    lost.hidden = !is;
    document.documentElement.classList.toggle("old", is);
    put(lost, is ? "This page hears nothing from Tidegate any more. What stands here is old, and says nothing about what is permitted now." : "");
  };

  // The overview of all tanks asks again now and then.
  const all = document.querySelector("[data-reload]");
  const again = async () => {
    try {
      const answer = await fetch(location.href);
      if (!answer.ok || answer.redirected) throw new Error("no overview");
      const fresh = new DOMParser().parseFromString(await answer.text(), "text/html").querySelector("[data-reload]");
      const at = [...all.querySelectorAll("a")].indexOf(document.activeElement);
      if (fresh.innerHTML !== all.innerHTML) all.innerHTML = fresh.innerHTML;
      if (at >= 0) all.querySelectorAll("a")[at]?.focus({ preventScroll: true });
      old(false);
    } catch { old(true); }
  };
  if (all) setInterval(again, all.dataset.reload * 1000);

  const live = document.querySelector("[data-live]");
  if (!live) return;
  const wait = (ms) => { clearTimeout(timer); timer = setTimeout(() => old(true), ms); };

  // What a reader has opened, chosen or focused survives the exchange of a part.
  const exchange = (part, html) => {
    const place = live.querySelector(`[data-part="${part}"]`);
    if (!place) return;
    const focused = place.contains(document.activeElement) ? document.activeElement.id : "";
    const open = [...place.querySelectorAll("details[id]")].map((e) => [e.id, e.open]);
    const chosen = [...place.querySelectorAll("select[id]")].map((e) => [e.id, e.value]);
    place.innerHTML = html;
    for (const [id, is] of open) { const e = document.getElementById(id); if (e) e.open = is; }
    for (const [id, value] of chosen) { const e = document.getElementById(id); if (e) e.value = value; }
    if (focused) document.getElementById(focused)?.focus({ preventScroll: true });
  };

  const title = live.dataset.title;
  const connect = () => {
    const stream = new EventSource(live.dataset.live);
    stream.onmessage = (event) => {
      const told = JSON.parse(event.data);
      base = told.now; heard = performance.now();
      for (const [part, html] of Object.entries(told.parts)) exchange(part, html);
      if (spoken.dataset.said !== told.spoken) {
        if (spoken.dataset.said !== undefined) put(spoken, told.spoken);
        spoken.dataset.said = told.spoken;
      }
      document.title = `${told.waiting ? `(${told.waiting}) ` : ""}${title} · Tidegate`;
      count(); old(false); wait(LOST_MS); broken = false;
      document.dispatchEvent(new CustomEvent("tidegate", { detail: told }));
    };
    stream.onerror = () => {
      // The browser tries again by itself, unless it was told that there is nothing to be had.
      if (stream.readyState === EventSource.CLOSED) { old(true); setTimeout(connect, 5000); }
      else if (!broken) { broken = true; wait(BROKEN_MS); }
    };
    addEventListener("pagehide", () => stream.close(), { once: true });
  };
  wait(LOST_MS);
  connect();
  addEventListener("pageshow", (event) => { if (event.persisted) location.reload(); });
})();
