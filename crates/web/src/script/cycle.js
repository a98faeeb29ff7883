// The cycle: one cursor through all pictures, and a window that is moved and narrowed. While it moves, what is drawn is
// stretched in place; when it rests, the server draws it anew and finer.
(() => {
  let sheet = document.getElementById("sheet");
  if (!sheet || !sheet.dataset.traces) return;
  const REST = 90, NARROWEST = 0.2;
  let first, last, drawn, shown, cursor = null, traces = null, timer = 0, asking = null;
  const readout = fw.make("div", undefined, "readout");
  readout.hidden = true; readout.setAttribute("role", "status"); readout.setAttribute("aria-live", "off");

  const figures = () => [...sheet.querySelectorAll("figure[data-shared] .plot-box")];
  const reference = () => sheet.dataset.reference !== "no";
  const begin = () => {
    const d = sheet.dataset;
    [first, last] = [Number(d.first), Number(d.last)];
    drawn = [Number(d.from), Number(d.until)]; shown = [...drawn];
    sheet.append(readout);
    for (const box of figures()) { const line = fw.make("div", undefined, "cursor"); line.hidden = true; box.append(line); }
    for (const png of sheet.querySelectorAll("[data-png]")) png.hidden = false;
  };
  const fine = async () => {
    const [from, until] = drawn;
    try {
      const answer = await fetch(`${sheet.dataset.traces}?from_s=${from}&until_s=${until}&points=4000&reference=${reference()}`);
      if (answer.ok && drawn[0] === from && drawn[1] === until) { traces = await answer.json(); point(cursor); }
    } catch { /* the pictures stand without it */ }
  };

  // ---- the window
  // However often a wheel turns, once a frame.
  let due = 0;
  const stretch = () => { due = due || requestAnimationFrame(stretched); };
  const stretched = () => {
    due = 0;
    const [a, b] = shown, [from, until] = drawn, k = (until - from) / (b - a);
    for (const box of figures()) {
      // Not drawn anew, however much stands in it: the layer that is there is moved and stretched.
      box.querySelector(".plot").style.transform = `translateX(${-(a - from) / (b - a) * 100}%) scaleX(${k})`;
    }
    point(cursor);
  };
  const look = (from, until) => {
    let span = Math.min(Math.max(until - from, NARROWEST), last - first);
    from = Math.min(Math.max(from, first), last - span);
    shown = [from, from + span];
    stretch();
    clearTimeout(timer);
    timer = setTimeout(draw, REST);
  };
  const draw = async () => {
    if (shown[0] === drawn[0] && shown[1] === drawn[1]) return;
    if (asking) asking.abort();
    asking = new AbortController();
    const [from, until] = shown, also = reference() ? "" : "&reference=no";
    const query = `?from=${from.toFixed(3)}&until=${until.toFixed(3)}${also}`;
    try {
      const answer = await fetch(`${sheet.dataset.page}/sheet${query}`, { signal: asking.signal });
      if (!answer.ok) throw new Error(answer.status);
      const fresh = new DOMParser().parseFromString(await answer.text(), "text/html").getElementById("sheet");
      if (pointers.size || shown[0] !== from || shown[1] !== until) { timer = setTimeout(draw, REST); return; }
      const within = sheet.contains(document.activeElement) ? document.activeElement : null;
      const place = within && (within.dataset.key ? `a[data-key="${CSS.escape(within.dataset.key)}"]` : within.closest("figure") ? `#${within.closest("figure").id} .strip` : null);
      sheet.replaceWith(fresh); sheet = fresh;
      begin(); listen(); point(cursor);
      const again = place && (sheet.querySelector(place) || sheet.querySelector("a[data-key='0']"));
      if (again) again.focus({ preventScroll: true });
      history.replaceState(null, "", query);
      fine();
    } catch (error) {
      if (error.name !== "AbortError") { readout.hidden = false; readout.textContent = sheet.dataset.lost; }
    }
  };
  const zoom = (factor, at) => look(at - (at - shown[0]) * factor, at + (shown[1] - at) * factor);
  const along = (share) => look(shown[0] + share * (shown[1] - shown[0]), shown[1] + share * (shown[1] - shown[0]));

  // ---- the cursor
  const before = (times, t) => { let low = 0, high = times.length - 1; while (low < high) { const mid = (low + high + 1) >> 1; if (times[mid] <= t) low = mid; else high = mid - 1; } return low; };
  const point = (t) => {
    if (t === null) return;
    cursor = Math.min(last, Math.max(first, t));
    const share = (cursor - shown[0]) / (shown[1] - shown[0]);
    for (const box of figures()) {
      const line = box.querySelector(".cursor");
      line.hidden = share < 0 || share > 1;
      line.style.setProperty("left", `${share * 100}%`);
    }
    readout.hidden = false;
    readout.textContent = "";
    const put = (label, value, beside) => { const s = fw.make("span"); s.append(label + " ", fw.make("b", value)); if (beside) s.append(fw.make("small", ` (${beside})`)); readout.append(s); };
    put(sheet.dataset.at, `${fw.fixed(cursor, 3)} s`);
    if (!traces) return;
    for (const t of traces.numbers) {
      const r = t.reference;
      put(t.label, fw.quantity(t.values[before(t.times_s, cursor)], t.unit), r && r.times_s.length ? fw.quantity(r.values[before(r.times_s, cursor)], t.unit) : "");
    }
    const on = traces.states.filter((s) => s.known && s.on_s.some(([a, b]) => a <= cursor && cursor < b)).map((s) => s.label);
    put(sheet.dataset.on, on.join(", ") || sheet.dataset.nothing);
  };
  const time = (box, x) => { const r = box.getBoundingClientRect(); return shown[0] + (x - r.left) / r.width * (shown[1] - shown[0]); };

  // ---- mouse, fingers, keys
  const pointers = new Map();
  let grip = null, dragged = false;
  const hold = () => {
    const [a, b] = [...pointers.values()];
    const box = a && a.box;
    grip = box && { box, window: [...shown], at: time(box, b ? (a.x + b.x) / 2 : a.x), apart: b ? Math.abs(a.x - b.x) : 0 };
  };
  const down = (event) => {
    const box = event.currentTarget;
    if (event.button || event.target.closest("a")) return;
    pointers.set(event.pointerId, { box, x: event.clientX, y: event.clientY });
    if (pointers.size === 1) dragged = false;
    box.setPointerCapture(event.pointerId);
    hold();
  };
  const move = (event) => {
    const box = event.currentTarget, held = pointers.get(event.pointerId);
    if (!held) { if (event.pointerType === "mouse") point(time(box, event.clientX)); return; }
    const moved = Math.abs(event.clientX - held.x);
    held.x = event.clientX;
    const [a, b] = [...pointers.values()], r = box.getBoundingClientRect();
    if (b && grip.apart > 10) {
      const factor = grip.apart / Math.max(Math.abs(a.x - b.x), 10), span = (grip.window[1] - grip.window[0]) * factor;
      const share = ((a.x + b.x) / 2 - r.left) / r.width;
      dragged = true;
      look(grip.at - share * span, grip.at + (1 - share) * span);
    } else if (!b && (dragged || moved > 2)) {
      dragged = true;
      const span = shown[1] - shown[0], share = (event.clientX - r.left) / r.width;
      look(grip.at - share * span, grip.at + (1 - share) * span);
    }
  };
  const up = (event) => {
    if (!pointers.delete(event.pointerId)) return;
    if (!dragged) point(time(event.currentTarget, event.clientX));
    if (pointers.size) hold();
  };
  const wheel = (event) => {
    const box = event.currentTarget;
    if (event.ctrlKey || event.metaKey) { event.preventDefault(); zoom(Math.exp(Math.min(Math.max(event.deltaY, -120), 120) * 0.004), time(box, event.clientX)); }
    else if (event.shiftKey || Math.abs(event.deltaX) > Math.abs(event.deltaY)) { event.preventDefault(); along((event.shiftKey && !event.deltaX ? event.deltaY : event.deltaX) / box.clientWidth); }
  };
  const key = (event) => {
    const step = (shown[1] - shown[0]) * (event.shiftKey ? 0.05 : 0.005);
    if (event.key === "ArrowLeft") point((cursor ?? shown[0]) - step);
    else if (event.key === "ArrowRight") point((cursor ?? shown[0]) + step);
    else if (event.key === "Home") point(shown[0]);
    else if (event.key === "End") point(shown[1]);
    else return;
    event.preventDefault();
  };
  const listen = () => {
    for (const box of figures()) {
      box.addEventListener("pointerdown", down); box.addEventListener("pointermove", move);
      box.addEventListener("pointerup", up); box.addEventListener("pointercancel", up);
      box.addEventListener("wheel", wheel, { passive: false });
      box.addEventListener("dblclick", (event) => { event.preventDefault(); zoom(event.shiftKey ? 2 : 0.5, time(box, event.clientX)); });
      box.parentElement.addEventListener("keydown", key);
    }
  };

  // ---- links that move the window do so in place; marks lead to their sentence, and back
  document.addEventListener("click", (event) => {
    const link = event.target.closest("a");
    if (!link || event.ctrlKey || event.metaKey || event.shiftKey) return;
    const d = link.dataset, middle = (shown[0] + shown[1]) / 2;
    if (d.by) zoom(Number(d.by), cursor !== null && cursor > shown[0] && cursor < shown[1] ? cursor : middle);
    else if (d.along) along(Number(d.along));
    else if (d.from && d.until) {
      look(Number(d.from), Number(d.until));
      if (d.at) { point(Number(d.at)); sheet.querySelector("figure").scrollIntoView({ block: "start" }); sheet.querySelector(".strip").focus({ preventScroll: true }); }
    } else return;
    event.preventDefault();
  });
  document.addEventListener("click", (event) => {
    const button = event.target.closest("button[data-png]");
    if (!button) return;
    const image = new Image();
    image.onload = () => {
      const canvas = document.createElement("canvas");
      canvas.width = 2 * image.naturalWidth; canvas.height = 2 * image.naturalHeight;
      canvas.getContext("2d").drawImage(image, 0, 0, canvas.width, canvas.height);
      canvas.toBlob((blob) => { const a = fw.make("a"); a.href = URL.createObjectURL(blob); a.download = `${sheet.dataset.page.split("/")[2]}-cycle.png`; a.click(); setTimeout(() => URL.revokeObjectURL(a.href), 1000); });
    };
    image.src = button.dataset.png;
  });
  begin(); listen(); fine();
})();
