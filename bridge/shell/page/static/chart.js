// The chart: asks for as many points as there are pixels, so a year is as quick as an hour.
"use strict";
(() => {
  const place = document.getElementById("chart");
  if (!place || !window.uPlot) return;
  const { now, speed } = window.tidegate;
  const text = document.getElementById("chart-text"), list = document.getElementById("chart-events");
  const latest = document.querySelector("[data-latest]");
  const dark = matchMedia("(prefers-color-scheme: dark)");
  const HOUR = 3600, YEAR = 366 * 86400, SHORTEST = 600;
  let span = 86400, end = null; // null: follows the present
  let data = null, plot = null, asking = null, asked = 0;

  const colour = (name) => getComputedStyle(document.documentElement).getPropertyValue(`--${name}`).trim();
  const faint = (name, share) => `${colour(name)}${Math.round(share * 255).toString(16).padStart(2, "0")}`;
  const to = () => end ?? now();
  const GLYPHS = { litres: "drop", equipment: "tick", check: "diamond", calibration: "star", "water-change": "square", service: "bar" };

  const hatch = (u, from, until) => {
    const { ctx, bbox } = u;
    const left = Math.max(bbox.left, u.valToPos(from, "x", true));
    const right = Math.min(bbox.left + bbox.width, u.valToPos(until, "x", true));
    if (right <= left) return null;
    ctx.save();
    ctx.beginPath(); ctx.rect(left, bbox.top, Math.max(right - left, 2), bbox.height); ctx.clip();
    ctx.strokeStyle = faint("hatch", 0.45); ctx.lineWidth = 1.5 * devicePixelRatio;
    const step = 9 * devicePixelRatio;
    ctx.beginPath();
    for (let x = Math.floor((left - bbox.height) / step) * step; x < right; x += step) {
      ctx.moveTo(x, bbox.top + bbox.height); ctx.lineTo(x + bbox.height, bbox.top);
    }
    ctx.stroke(); ctx.restore();
    return [left, right];
  };
  const glyph = (ctx, kind, x, y, r) => {
    ctx.beginPath();
    switch (GLYPHS[kind]) {
      case "drop": ctx.moveTo(x, y - 1.4 * r); ctx.quadraticCurveTo(x + 1.5 * r, y + r, x, y + r); ctx.quadraticCurveTo(x - 1.5 * r, y + r, x, y - 1.4 * r); ctx.fill(); break;
      case "diamond": ctx.moveTo(x, y - 1.3 * r); ctx.lineTo(x + 1.1 * r, y); ctx.lineTo(x, y + 1.3 * r); ctx.lineTo(x - 1.1 * r, y); ctx.closePath(); ctx.fill(); break;
      case "star": for (let i = 0; i < 10; i++) { const a = Math.PI * (i / 5 - .5), l = i % 2 ? .5 * r : 1.4 * r; ctx.lineTo(x + l * Math.cos(a), y + l * Math.sin(a)); } ctx.closePath(); ctx.fill(); break;
      case "square": ctx.fillRect(x - r, y - r, 2 * r, 2 * r); break;
      case "bar": ctx.fillRect(x - .35 * r, y - 1.4 * r, .7 * r, 2.8 * r); break;
      default: ctx.moveTo(x, y - r); ctx.lineTo(x, y + r); ctx.stroke();
    }
  };
  const under = (u) => {
    for (const each of data.spans) {
      const found = hatch(u, each.from, each.to);
      if (!found) continue;
      const { ctx, bbox } = u;
      ctx.save();
      ctx.font = `${12 * devicePixelRatio}px system-ui, sans-serif`;
      const wide = ctx.measureText(each.words).width;
      if (wide + 8 * devicePixelRatio < found[1] - found[0]) {
        ctx.fillStyle = colour("card");
        ctx.fillRect(found[0] + 3 * devicePixelRatio, bbox.top + 3 * devicePixelRatio, wide + 6 * devicePixelRatio, 17 * devicePixelRatio);
        ctx.fillStyle = colour("ink"); ctx.textBaseline = "top"; ctx.textAlign = "left";
        ctx.fillText(each.words, found[0] + 6 * devicePixelRatio, bbox.top + 5 * devicePixelRatio);
      }
      ctx.restore();
    }
  };
  const over = (u) => {
    const { ctx, bbox } = u, r = 4 * devicePixelRatio;
    ctx.save();
    ctx.fillStyle = ctx.strokeStyle = colour("ink"); ctx.lineWidth = 1.2 * devicePixelRatio;
    for (const each of data.events) {
      const x = u.valToPos(each.at, "x", true);
      if (x < bbox.left || x > bbox.left + bbox.width) continue;
      const lane = each.kind === "equipment" ? 1 : each.kind === "litres" ? 2 : 3;
      glyph(ctx, each.kind, x, bbox.top + bbox.height - lane * 2.9 * r, r);
    }
    ctx.restore();
  };
  // A probe that hangs dry reads nearly nothing; showing that would flatten all that matters.
  const REACH = 2;
  const range = () => {
    const band = [...data.low, ...data.high, ...data.mid].filter((v) => v != null);
    const probe = [...data.probe_low, ...data.probe_high].filter((v) => v != null);
    let low = Math.min(...band), high = Math.max(...band);
    const near = band.length ? probe.filter((v) => v > low - REACH && v < high + REACH) : probe;
    low = Math.min(low, ...near); high = Math.max(high, ...near);
    if (low > high) return [34, 36];
    const room = Math.max(0.12 * (high - low), 0.1);
    return [Math.floor((low - 2 * room) * 10) / 10, Math.ceil((high + room) * 10) / 10];
  };
  const height = () => innerWidth < 540 ? 280 : 360;
  const axis = () => ({ stroke: colour("soft"), grid: { stroke: colour("grid"), width: 1 }, ticks: { stroke: colour("grid"), width: 1 }, font: "12px system-ui, sans-serif" });
  const two = (n) => String(n).padStart(2, "0");
  const label = (u, splits, _i, _space, step) => {
    let day = "";
    return splits.map((s) => {
      const d = new Date(s * 1000), date = d.toLocaleDateString(undefined, step >= 28 * 86400 ? { month: "short", year: "numeric" } : { day: "numeric", month: "short" });
      if (step >= 86400) return date;
      const time = `${two(d.getHours())}:${two(d.getMinutes())}${step < 60 ? `:${two(d.getSeconds())}` : ""}`;
      const told = date === day ? time : `${time}\n${date}`;
      day = date;
      return told;
    });
  };

  const columns = () => [data.at, data.low, data.high, data.mid, data.probe_low, data.probe_high, data.probe];
  const build = () => {
    plot?.destroy();
    const clear = { stroke: "transparent", points: { show: false } };
    plot = new uPlot({
      width: place.clientWidth, height: height(), legend: { show: false },
      cursor: { drag: { x: true, y: false, setScale: false }, points: { size: 7 }, y: false },
      scales: { x: { time: true, range: () => [to() - span, to()] }, y: { range } },
      axes: [{ ...axis(), values: label, space: 62 }, { ...axis(), size: 48, values: (u, v) => v.map((n) => n.toFixed(v.length > 1 && v[1] - v[0] < 0.1 ? 2 : 1)) }],
      series: [{}, clear, clear,
        { label: "Water", stroke: colour("band"), width: 2.5, points: { show: false } },
        clear, clear,
        { label: "Probe", stroke: colour("probe"), width: 1.3, dash: [5, 3], points: { show: false } }],
      bands: [{ series: [2, 1], fill: faint("band", 0.22) }, { series: [5, 4], fill: faint("probe", 0.14) }],
      hooks: { drawClear: [under], draw: [over], setCursor: [point], setSelect: [select] },
    }, columns(), place);
  };
  const point = (u) => {
    const i = u.cursor.idx;
    if (i == null || data.at[i] == null) { describe(); return; }
    const at = data.at[i];
    const near = data.events.filter((e) => Math.abs(u.valToPos(e.at, "x") - u.cursor.left) < 6).map((e) => e.words);
    const within = data.spans.filter((s) => s.from <= at && at < s.to).map((s) => s.words);
    const value = (v) => v == null ? "not known" : v.toFixed(2);
    const band = data.low[i] == null ? "" : ` (${value(data.low[i])} to ${value(data.high[i])})`;
    text.textContent = `${new Date(at * 1000).toLocaleString(undefined, { dateStyle: "medium", timeStyle: "short" })}: water ${value(data.mid[i])}${band}, probe ${value(data.probe[i])}${[...within, ...near].map((w) => `; ${w}`).join("")}`;
  };
  const select = (u) => {
    if (u.select.width < 8) return;
    const from = u.posToVal(u.select.left, "x"), until = u.posToVal(u.select.left + u.select.width, "x");
    u.setSelect({ left: 0, top: 0, width: 0, height: 0 }, false);
    show(until - from, until);
  };

  const when = (s) => new Date(s * 1000).toLocaleString(undefined, { dateStyle: "medium", timeStyle: "short" });
  const describe = () => {
    const known = (column) => column.filter((v) => v != null);
    const mid = known(data.mid), probe = known(data.probe);
    const ends = (v) => v.length ? `${Math.min(...v).toFixed(2)} to ${Math.max(...v).toFixed(2)}` : "nothing";
    const told = data.note ? `${data.note} Only the newest readings are shown.` : "";
    const far = mid.length && known([...data.probe_low, ...data.probe_high]).some((v) => v < Math.min(...mid) - REACH || v > Math.max(...mid) + REACH);
    text.textContent = data.at.length
      ? `${when(data.from)} to ${when(data.to)}: water ${ends(mid)}, probe ${ends(probe)}${far ? " (beyond the edge of the chart)" : ""}. ${told}`
      : `${when(data.from)} to ${when(data.to)}: nothing was recorded. ${told}`;
  };
  const enumerate = () => {
    const rows = [
      ...data.spans.map((s) => [s.from, `Disturbed until ${when(s.to)}: ${s.words}`]),
      ...data.events.map((e) => [e.at, e.words]),
    ].sort((a, b) => b[0] - a[0]).slice(0, 300);
    const ul = document.createElement("ul");
    ul.className = "log";
    for (const [at, what] of rows) {
      const li = document.createElement("li"), time = document.createElement("time"), words = document.createElement("span");
      time.textContent = when(at); words.textContent = what;
      li.append(time, words); ul.append(li);
    }
    const none = document.createElement("p");
    none.textContent = "Nothing out of the ordinary.";
    const hint = document.createElement("p");
    hint.className = "fine";
    hint.textContent = data.switches ? "" : "Single switchings and top-offs are shown in stretches of up to two days.";
    list.replaceChildren(rows.length ? ul : none, hint);
  };

  const ask = async () => {
    asking?.abort();
    const mine = asking = new AbortController();
    asked = performance.now();
    const points = Math.max(200, Math.min(1000, place.clientWidth));
    try {
      const answer = await fetch(`${place.dataset.series}?from=${to() - span}&to=${to()}&points=${points}`, { signal: mine.signal });
      if (!answer.ok) return;
      data = await answer.json();
    } catch { return; }
    if (plot) plot.setData(columns()); else build();
    describe(); enumerate();
  };
  const show = (wanted, until) => {
    span = Math.min(Math.max(wanted, SHORTEST), YEAR);
    end = until == null || until >= now() ? null : until;
    for (const b of document.querySelectorAll("[data-span]")) b.setAttribute("aria-pressed", String(Number(b.dataset.span) === span));
    latest.hidden = end === null;
    // What is there already moves at once; the finer points follow.
    if (plot) plot.setScale("x", { min: to() - span, max: to() });
    ask();
  };
  const move = (share) => show(span, to() + share * span);
  const zoom = (factor) => show(span * factor, end === null ? null : to() - span / 2 + span * factor / 2);
  document.addEventListener("click", (event) => {
    const b = event.target.closest("button");
    if (!b) return;
    if (b.dataset.span) show(Number(b.dataset.span), end);
    else if (b.dataset.move) move(Number(b.dataset.move));
    else if (b.dataset.zoom) zoom(Number(b.dataset.zoom));
    else if ("latest" in b.dataset) show(span, null);
  });
  document.addEventListener("tidegate", () => {
    if (end === null && !document.hidden && performance.now() - asked > Math.max(2000, Math.min(60000, span / speed / 2))) ask();
  });
  dark.addEventListener("change", () => { if (data) build(); });
  new ResizeObserver(() => { if (plot && plot.width !== place.clientWidth) plot.setSize({ width: place.clientWidth, height: height() }); }).observe(place);
  // What is most urgent is seen first; the chart follows.
  requestAnimationFrame(() => setTimeout(ask));
})();
