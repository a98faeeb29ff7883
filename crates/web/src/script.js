// What the pages can do beyond reading: a cursor through all lanes of a cycle, and the bench going on by itself.
"use strict";
(() => {
  const number = (v) => (v === null || v === undefined || Number.isNaN(v)) ? "-" : Math.abs(v) >= 100 ? v.toFixed(0) : Math.abs(v) >= 10 ? v.toFixed(1) : v.toFixed(2);

  // ---- keys of the cycle's page: the links that carry them
  document.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey || event.target.closest("input, textarea, select")) return;
    const link = document.querySelector(`a[data-key="${CSS.escape(event.key)}"]`);
    if (link) { event.preventDefault(); link.click(); }
  });

  // ---- the shared cursor
  const sheet = document.querySelector(".sheet[data-traces]");
  if (sheet) cursor(sheet);

  function cursor(sheet) {
    const figures = [...sheet.querySelectorAll("figure[data-shared] .scroll")];
    if (!figures.length) return;
    const { from, to } = figures[0].closest("figure").dataset;
    const [begin, end] = [Number(from), Number(to)];
    const lines = figures.map((box) => { const line = document.createElement("div"); line.className = "cursor"; line.hidden = true; box.append(line); return line; });
    const readout = document.createElement("div");
    readout.className = "readout"; readout.hidden = true; readout.setAttribute("role", "status");
    sheet.append(readout);
    let traces = null;
    fetch(`${sheet.dataset.traces}?from_s=${begin}&until_s=${end}&points=3000`)
      .then((answer) => answer.ok ? answer.json() : null).then((t) => { traces = t; }).catch(() => {});
    let now = begin;

    const edges = (box) => {
      const svg = box.querySelector("svg"), r = svg.getBoundingClientRect(), scale = r.width / svg.viewBox.baseVal.width;
      return [r.left + svg.dataset.left * scale, r.left + svg.dataset.right * scale];
    };
    const show = (t) => {
      now = Math.min(end, Math.max(begin, t));
      figures.forEach((box, n) => {
        const [left, right] = edges(box);
        lines[n].hidden = false;
        lines[n].style.setProperty("left", `${left + (now - begin) / (end - begin) * (right - left) - box.getBoundingClientRect().left + box.scrollLeft}px`);
      });
      readout.hidden = false;
      readout.textContent = "";
      const put = (label, value) => { const s = document.createElement("span"); const b = document.createElement("b"); b.textContent = value; s.append(label + " ", b); readout.append(s); };
      put("at", `${now.toFixed(3)} s`);
      if (!traces) return;
      for (const t of traces.numbers) put(t.label, `${number(t.values[at(t.times_s, now)])} ${t.unit}`);
      const on = traces.states.filter((s) => s.known && s.on_s.some(([a, b]) => a <= now && now < b)).map((s) => s.label);
      put("on:", on.join(", ") || "nothing");
    };
    const at = (times, t) => { let low = 0, high = times.length - 1; while (low < high) { const mid = (low + high + 1) >> 1; if (times[mid] <= t) low = mid; else high = mid - 1; } return low; };
    figures.forEach((box) => {
      box.addEventListener("pointermove", (event) => {
        const [left, right] = edges(box);
        if (event.clientX >= left - 4) show(begin + (event.clientX - left) / (right - left) * (end - begin));
      });
      box.addEventListener("keydown", (event) => {
        const step = (end - begin) * (event.shiftKey ? 0.05 : 0.005);
        if (event.key === "ArrowLeft") show(now - step); else if (event.key === "ArrowRight") show(now + step); else return;
        event.preventDefault();
      });
    });
  }

  // ---- the bench
  const bench = document.querySelector(".bench[data-live]");
  if (bench) live(bench);

  function live(bench) {
    const part = (name) => bench.querySelector(`[data-part="${name}"]`);
    const set = (name, text) => { const p = part(name); if (p.textContent !== text) p.textContent = text; };
    const one = (v) => v === null || v === undefined ? "-" : v.toFixed(1);
    const WINDOW = 30;
    const lanes = [...bench.querySelectorAll(".lane")].map((box) => ({ signal: box.dataset.signal, value: box.querySelector("output"), canvas: box.querySelector("canvas"), times: [], values: [] }));
    const words = { switch: ["made", "free"], valve: ["energised", "off"], pump: ["on", "off"], demand: ["given", "-"] };
    const lamps = [...bench.querySelectorAll(".lamps li")].map((li) => ({ signal: li.dataset.signal, words: words[li.dataset.kind] || ["on", "off"], lamp: li.querySelector(".lamp"), word: li.querySelector(".lamp-word"), on: null }));
    let dirty = false, ports = {}, open = false;

    const link = () => {
      const bad = Object.values(ports).find((p) => !p.well);
      const down = !open || bad;
      part("link").classList.toggle("down", Boolean(down));
      set("link", !open ? "The connection to foldwatch is lost; what stands here is old. It is tried again by itself." : bad ? `${bad.port}: ${bad.words}` : "Live.");
    };
    const state = (s) => {
      set("direction", s.direction || "");
      set("phase", s.phase || (s.moving ? "done, holding" : "at rest"));
      set("waiting", s.waiting_for.map((w) => `${w.label} ${w.made ? "to be made" : "to let go"}`).join(", ") || "nothing");
      set("elapsed", one(s.elapsed_s)); set("expected", one(s.expected_s)); set("limit", one(s.limit_s)); set("pump-left", one(s.pump_left_s));
      const meter = part("meter");
      meter.max = s.limit_s || 1; meter.high = s.expected_s || 1; meter.value = s.elapsed_s || 0;
      bench.querySelector(".big").classList.toggle("over", Boolean(s.limit_s && s.elapsed_s > s.limit_s || s.pump_left_s !== null && s.pump_left_s < 0));
      const list = part("steps");
      if (s.steps.length) list.replaceChildren(...s.steps.map((step) => {
        const li = document.createElement("li"), name = document.createElement("span"), time = document.createElement("span");
        li.className = step.state; name.textContent = step.name;
        time.textContent = step.duration_s === null ? `(${step.expected_s.toFixed(1)} s)` : `${step.duration_s.toFixed(2)} s${step.confirmation && step.confirmation !== "confirmed" ? " " + step.confirmation : ""}`;
        li.append(name, time); return li;
      }));
    };
    const samples = (s) => {
      for (const lane of lanes) {
        const values = s.values[lane.signal];
        if (!values) continue;
        for (let n = 0; n < values.length; n++) if (values[n] !== null) { lane.times.push(s.times_s[n]); lane.values.push(values[n]); }
        const first = lane.times.findIndex((t) => t >= lane.times[lane.times.length - 1] - WINDOW);
        if (first > 200) { lane.times.splice(0, first); lane.values.splice(0, first); }
      }
      for (const lamp of lamps) {
        const values = s.values[lamp.signal], last = values && values[values.length - 1];
        if (last === null || last === undefined || lamp.on === (last >= 0.5)) continue;
        lamp.on = last >= 0.5; lamp.lamp.classList.toggle("on", lamp.on); lamp.word.textContent = lamp.words[lamp.on ? 0 : 1];
      }
      dirty = true;
    };
    const draw = () => {
      requestAnimationFrame(draw);
      if (!dirty) return;
      dirty = false;
      const newest = Math.max(...lanes.map((l) => l.times[l.times.length - 1] || 0));
      for (const lane of lanes) {
        const { canvas, times, values } = lane, g = canvas.getContext("2d");
        g.clearRect(0, 0, canvas.width, canvas.height);
        if (!values.length) continue;
        lane.value.textContent = number(values[values.length - 1]);
        let low = Infinity, high = -Infinity;
        for (const v of values) { if (v < low) low = v; if (v > high) high = v; }
        if (low > 0 && low < 0.4 * high) low = 0;
        const span = Math.max(high - low, 1);
        g.strokeStyle = getComputedStyle(canvas).color; g.lineWidth = 2; g.beginPath();
        let before = null;
        for (let n = 0; n < times.length; n++) {
          const x = (1 - (newest - times[n]) / WINDOW) * canvas.width, y = canvas.height - 4 - (values[n] - low) / span * (canvas.height - 8);
          if (before === null || times[n] - before > 2) g.moveTo(x, y); else g.lineTo(x, y);
          before = times[n];
        }
        g.stroke();
      }
    };
    const news = (cycle, word) => {
      const list = part("news"), li = document.createElement("li"), a = document.createElement("a");
      a.href = `${location.pathname.replace(/\/bench$/, "")}/cycles/${encodeURIComponent(cycle.start)}`;
      a.textContent = `${word} ${cycle.start.slice(11, 19)} UTC`;
      li.append(a, `: ${cycle.outcome || ""}. ${cycle.findings.length ? cycle.findings.join(" ") : "Nothing was found."}`);
      li.dataset.start = cycle.start;
      for (const old of list.querySelectorAll("li")) if (!old.dataset.start || old.dataset.start === cycle.start) old.remove();
      list.prepend(li);
      while (list.children.length > 8) list.lastChild.remove();
    };
    const source = new EventSource(bench.dataset.live);
    const on = (name, act) => source.addEventListener(name, (event) => act(JSON.parse(event.data)));
    on("state", state); on("samples", samples);
    on("closed", (c) => news(c, "First verdict on")); on("settled", (c) => news(c, "Verdict on"));
    on("port", (p) => { ports[p.port] = p; link(); });
    source.onopen = () => { open = true; link(); };
    source.onerror = () => { open = false; link(); };
    requestAnimationFrame(draw);
  }
})();
