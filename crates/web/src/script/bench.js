// The bench: goes on by itself. Each lane keeps the lowest and the highest of every column of pixels, so that no extreme is
// lost at any sample rate; a frame moves the picture along and draws the newest columns only.
(() => {
  const bench = document.querySelector(".bench[data-live]");
  if (!bench) return;
  const part = (name) => bench.querySelector(`[data-part="${name}"]`);
  const set = (name, text) => { const p = part(name); if (p.textContent !== text) p.textContent = text; };
  const words = bench.dataset;
  const one = (v) => fw.fixed(v, 1);
  const WINDOW = 30, HELD = 2;
  // Less than this is noise: it does not fill the lane. The same as in the pictures of a cycle.
  const LEAST = { pressure: 10, voltage: 2 };
  const WORDS = Object.fromEntries(words.states.split(" ").map((w) => w.split(":")).map(([kind, ...both]) => [kind, both]));

  const lanes = [...bench.querySelectorAll(".lane")].map((box) => ({
    signal: box.dataset.signal, kind: box.dataset.kind, state: box.classList.contains("state"), box,
    value: box.querySelector("output"), canvas: box.querySelector("canvas"), lamp: box.querySelector(".lamp"),
    unit: fw.unit(box.dataset.unit || ""),
    last: null, columns: 0,
  }));
  let newest = 0, came = 0, scale = 1, ports = {}, open = false;

  // So many columns as the canvas has pixels; another size begins anew.
  const size = (lane) => {
    const { canvas } = lane;
    canvas.width = Math.max(Math.round(canvas.clientWidth * scale), 1); canvas.height = Math.max(Math.round(canvas.clientHeight * scale), 1);
    lane.columns = canvas.width; lane.seconds = WINDOW / lane.columns;
    lane.of = new Float64Array(lane.columns).fill(-1); lane.low = new Float32Array(lane.columns); lane.high = new Float32Array(lane.columns); lane.end = new Float32Array(lane.columns);
    lane.drawn = null; lane.least = Infinity; lane.most = -Infinity; lane.colour = null;
  };
  const sized = new ResizeObserver((entries) => {
    scale = window.devicePixelRatio || 1;
    for (const { target } of entries) size(lanes.find((lane) => lane.canvas === target));
  });
  for (const lane of lanes) { size(lane); sized.observe(lane.canvas); }

  const link = () => {
    const bad = Object.values(ports).find((p) => !p.well);
    part("link").classList.toggle("down", !open || Boolean(bad));
    bench.classList.toggle("stale", !open);
    set("link", !open ? words.lost : bad ? `${bad.port}: ${bad.words}` : words.open);
  };
  const state = (s) => {
    set("direction", s.direction || "");
    set("phase", s.phase || (s.moving ? words.holding : words.rest));
    set("waiting", s.waiting_for.map((w) => `${w.label} ${w.made ? words.make : words.free}`).join(", "));
    part("waiting").parentElement.classList.toggle("idle", !s.waiting_for.length);
    set("elapsed", one(s.elapsed_s)); set("expected", one(s.expected_s)); set("limit", one(s.limit_s)); set("pump-left", one(s.pump_left_s));
    const meter = part("meter");
    meter.max = s.limit_s || 1; meter.high = s.expected_s || 1; meter.value = s.elapsed_s || 0;
    const slow = s.limit_s && s.elapsed_s > s.limit_s, long = fw.known(s.pump_left_s) && s.pump_left_s < 0;
    bench.querySelector(".big").classList.toggle("over", Boolean(slow || long));
    set("over", long ? words.long : slow ? words.slow : "");
    const list = part("steps");
    if (s.steps.length) list.replaceChildren(...s.steps.map((step) => {
      const li = fw.make("li", undefined, step.state), late = step.confirmation && step.confirmation !== "confirmed";
      li.append(fw.make("span", step.name), fw.make("span", step.duration_s === null ? `(${one(step.expected_s)} s)` : `${fw.fixed(step.duration_s, 2)} s${late ? ` ${step.confirmation}` : ""}`));
      return li;
    }));
  };
  const samples = (s) => {
    const times = s.times_s;
    if (!times.length) return;
    newest = Math.max(newest, times[times.length - 1]); came = performance.now();
    // A recording that is played again begins anew.
    if (newest - times[times.length - 1] > 5) { newest = times[times.length - 1]; lanes.forEach(size); }
    for (const lane of lanes) {
      const values = s.values[lane.signal];
      if (!values) continue;
      for (let n = 0; n < values.length; n++) {
        const v = values[n];
        if (v === null) continue;
        const column = Math.floor(times[n] / lane.seconds), at = column % lane.columns;
        if (lane.of[at] !== column) { lane.of[at] = column; lane.low[at] = lane.high[at] = v; }
        else if (v < lane.low[at]) lane.low[at] = v;
        else if (v > lane.high[at]) lane.high[at] = v;
        lane.end[at] = lane.last = v;
        if (lane.drawn !== null && column <= lane.drawn) lane.drawn = column - 1;
      }
    }
  };
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => { for (const lane of lanes) lane.drawn = lane.colour = null; });

  // The place of the last value at or before a column, if it still holds there.
  const held = (lane, column) => {
    const oldest = column - HELD / lane.seconds;
    for (let c = column; c >= oldest && c >= 0; c--) if (lane.of[c % lane.columns] === c) return c % lane.columns;
    return -1;
  };
  const fits = (lane, end) => {
    let least = Infinity, most = -Infinity;
    for (let c = Math.max(end - lane.columns + 1, 0); c <= end; c++) {
      const at = c % lane.columns;
      if (lane.of[at] === c) { if (lane.low[at] < least) least = lane.low[at]; if (lane.high[at] > most) most = lane.high[at]; }
    }
    if (least === Infinity) return true;
    if (least > 0 && least < 0.4 * most) least = 0;
    const span = Math.max(most - least, LEAST[lane.kind] || 5), room = lane.most - lane.least;
    if (least >= lane.least && most <= lane.most && span > 0.5 * room) return true;
    // With some room, so that the next extreme does not change it again.
    lane.least = least - (least === 0 ? 0.02 : 0.08) * span; lane.most = least + 1.12 * span;
    return false;
  };
  const paint = (lane, column, x) => {
    const { g, canvas } = lane, h = canvas.height, at = held(lane, column);
    g.clearRect(x, 0, 1, h);
    if (at < 0) return;
    if (lane.state) { if (lane.of[at] === column ? lane.high[at] >= 0.5 : lane.end[at] >= 0.5) g.fillRect(x, 2 * scale, 1, h - 4 * scale); return; }
    const there = lane.of[at] === column, before = column > 0 ? held(lane, column - 1) : -1;
    let low = there ? lane.low[at] : lane.end[at], high = there ? lane.high[at] : lane.end[at];
    if (before >= 0) { low = Math.min(low, lane.end[before]); high = Math.max(high, lane.end[before]); }
    const y = (v) => h - 3 * scale - (v - lane.least) / (lane.most - lane.least) * (h - 6 * scale);
    g.fillRect(x, Math.round(y(high) - scale), 1, Math.max(Math.round(y(low) - y(high)), 0) + 2 * scale);
  };
  const go = (lane, end) => {
    if (!lane.state && !fits(lane, end)) lane.drawn = null;
    if (!lane.colour) { lane.g = lane.canvas.getContext("2d"); lane.colour = getComputedStyle(lane.canvas).color; }
    const { g, columns } = lane;
    g.fillStyle = lane.colour;
    let from = end - columns + 1;
    if (lane.drawn !== null && lane.shown !== undefined && lane.drawn > from) {
      if (end > lane.shown) { g.globalCompositeOperation = "copy"; g.drawImage(lane.canvas, lane.shown - end, 0); g.globalCompositeOperation = "source-over"; }
      from = lane.drawn + 1;
    }
    for (let c = Math.max(from, 0); c <= end; c++) paint(lane, c, columns - 1 - (end - c));
    lane.drawn = lane.shown = end;
  };
  let told = 0;
  const draw = () => {
    requestAnimationFrame(draw);
    const since = (performance.now() - came) / 1000;
    if (!newest || since > 2) return;
    // The picture glides between two messages.
    const now = newest + Math.min(since, 0.25), tell = performance.now() - told > 100;
    for (const lane of lanes) {
      const end = Math.floor(now / lane.seconds);
      if (lane.drawn === null || end > lane.drawn) go(lane, end);
      if (!tell || lane.last === null) continue;
      const on = lane.last >= 0.5, text = lane.state ? (WORDS[lane.kind] || ["on", "off"])[on ? 0 : 1] : fw.number(lane.last * lane.unit[1] + lane.unit[2]);
      if (lane.value.textContent !== text) lane.value.textContent = text;
      if (lane.lamp) { lane.lamp.classList.toggle("on", on); lane.box.classList.toggle("on", on); }
    }
    if (tell) told = performance.now();
  };
  const news = (cycle, word) => {
    const list = part("news"), li = fw.make("li"), a = fw.make("a", `${word} ${cycle.start.slice(11, 19)} UTC`);
    a.href = `${location.pathname.replace(/\/bench$/, "")}/cycles/${encodeURIComponent(cycle.start)}`;
    li.append(a, `: ${cycle.outcome || ""}. ${cycle.findings.length ? cycle.findings.join(" ") : words.none}`);
    li.dataset.start = cycle.start;
    for (const old of list.querySelectorAll("li")) if (!old.dataset.start || old.dataset.start === cycle.start) old.remove();
    list.prepend(li);
    while (list.children.length > 8) list.lastChild.remove();
  };
  const source = new EventSource(words.live);
  const on = (name, act) => source.addEventListener(name, (event) => act(JSON.parse(event.data)));
  on("state", state); on("samples", samples);
  on("closed", (c) => news(c, words.first)); on("settled", (c) => news(c, words.verdict));
  on("port", (p) => { ports[p.port] = p; link(); });
  source.onopen = () => { open = true; link(); };
  source.onerror = () => { open = false; link(); };
  requestAnimationFrame(draw);
})();
