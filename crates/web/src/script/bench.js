// The bench: goes on by itself. Each lane keeps the lowest and the highest of every short stretch, so that drawing costs
// the same at any sample rate and no extreme is lost.
(() => {
  const bench = document.querySelector(".bench[data-live]");
  if (!bench) return;
  const part = (name) => bench.querySelector(`[data-part="${name}"]`);
  const set = (name, text) => { const p = part(name); if (p.textContent !== text) p.textContent = text; };
  const words = bench.dataset;
  const one = (v) => fw.fixed(v, 1);
  const WINDOW = 30, STRETCHES = 600, STRETCH = WINDOW / STRETCHES;
  // Less than this is noise: it does not fill the lane. The same as in the pictures of a cycle.
  const LEAST = { pressure: 10, voltage: 2 };
  const WORDS = { switch: ["made", "free"], valve: ["energised", "off"], pump: ["on", "off"], demand: ["given", "-"] };

  const lanes = [...bench.querySelectorAll(".lane")].map((box) => ({
    signal: box.dataset.signal, kind: box.dataset.kind, state: box.classList.contains("state"), box,
    value: box.querySelector("output"), canvas: box.querySelector("canvas"), lamp: box.querySelector(".lamp"),
    unit: fw.unit(box.dataset.unit || ""),
    of: new Float64Array(STRETCHES).fill(-1), low: new Float32Array(STRETCHES), high: new Float32Array(STRETCHES), last: null,
  }));
  let newest = 0, came = 0, scale = 1, ports = {}, open = false;

  const sized = new ResizeObserver((entries) => {
    scale = window.devicePixelRatio || 1;
    for (const { target } of entries) { target.width = Math.round(target.clientWidth * scale); target.height = Math.round(target.clientHeight * scale); }
  });
  for (const lane of lanes) sized.observe(lane.canvas);

  const link = () => {
    const bad = Object.values(ports).find((p) => !p.well);
    part("link").classList.toggle("down", !open || Boolean(bad));
    bench.classList.toggle("stale", !open);
    set("link", !open ? words.lost : bad ? `${bad.port}: ${bad.words}` : words.open);
  };
  const state = (s) => {
    set("direction", s.direction || "");
    set("phase", s.phase || (s.moving ? words.holding : words.rest));
    set("waiting", s.waiting_for.map((w) => `${w.label} ${w.made ? words.make : words.free}`).join(", ") || words.nothing);
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
    if (newest - times[times.length - 1] > 5) { newest = times[times.length - 1]; for (const lane of lanes) lane.of.fill(-1); }
    for (const lane of lanes) {
      const values = s.values[lane.signal];
      if (!values) continue;
      for (let n = 0; n < values.length; n++) {
        const v = values[n];
        if (v === null) continue;
        const stretch = Math.floor(times[n] / STRETCH), at = stretch % STRETCHES;
        if (lane.of[at] !== stretch) { lane.of[at] = stretch; lane.low[at] = lane.high[at] = v; }
        else if (v < lane.low[at]) lane.low[at] = v;
        else if (v > lane.high[at]) lane.high[at] = v;
        lane.last = v;
      }
    }
  };
  const colour = (canvas) => getComputedStyle(canvas).color;
  const colours = new Map();
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => colours.clear());
  let told = 0;
  const draw = () => {
    requestAnimationFrame(draw);
    const since = (performance.now() - came) / 1000;
    if (!newest || since > 2) return;
    // The picture glides between two messages.
    const now = newest + Math.min(since, 0.25), end = Math.floor(now / STRETCH), tell = performance.now() - told > 100;
    for (const lane of lanes) {
      const { canvas, of, low, high } = lane, g = canvas.getContext("2d"), w = canvas.width, h = canvas.height;
      if (!colours.has(lane)) colours.set(lane, colour(canvas));
      g.clearRect(0, 0, w, h);
      const x = (stretch) => w - (now / STRETCH - stretch) * w / STRETCHES;
      if (lane.state) {
        g.fillStyle = colours.get(lane);
        let from = null;
        for (let s = end - STRETCHES + 1; s <= end + 1; s++) {
          const at = ((s % STRETCHES) + STRETCHES) % STRETCHES, there = s <= end && of[at] === s;
          const on = there ? high[at] >= 0.5 : s <= end && from !== null;
          if (on && from === null) from = s;
          if (!on && from !== null) { g.fillRect(x(from), 2 * scale, Math.max(x(s) - x(from), scale), h - 4 * scale); from = null; }
        }
      } else {
        let least = Infinity, most = -Infinity;
        for (let s = end - STRETCHES + 1; s <= end; s++) { const at = s % STRETCHES; if (of[at] === s) { if (low[at] < least) least = low[at]; if (high[at] > most) most = high[at]; } }
        if (least === Infinity) continue;
        if (least > 0 && least < 0.4 * most) least = 0;
        const span = Math.max(most - least, LEAST[lane.kind] || 5), y = (v) => h - 3 * scale - (v - least) / span * (h - 6 * scale);
        g.strokeStyle = colours.get(lane); g.lineWidth = 2 * scale; g.lineJoin = "round"; g.beginPath();
        let before = -Infinity;
        for (let s = end - STRETCHES + 1; s <= end; s++) {
          const at = s % STRETCHES;
          if (of[at] !== s) continue;
          if (s - before > 2 / STRETCH) g.moveTo(x(s), y(high[at])); else g.lineTo(x(s), y(high[at]));
          if (low[at] !== high[at]) g.lineTo(x(s), y(low[at]));
          before = s;
        }
        g.stroke();
      }
      if (tell && lane.last !== null) {
        const on = lane.last >= 0.5, text = lane.state ? (WORDS[lane.kind] || ["on", "off"])[on ? 0 : 1] : fw.number(lane.last * lane.unit[1] + lane.unit[2]);
        if (lane.value.textContent !== text) lane.value.textContent = text;
        if (lane.lamp) { lane.lamp.classList.toggle("on", on); lane.box.classList.toggle("on", on); }
      }
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
