"use strict";
// A closer look at the traces. Everything on the page is there without this script; it adds zoom, pan and a
// reading line over the samples that the page carries. It loads nothing and sends nothing.
(() => {
  const group = document.querySelector(".traces");
  const text = document.getElementById("samples").textContent;
  const store = JSON.parse(text);
  if (!group || !store || typeof DecompressionStream !== "function") return;

  const duration = Math.max(Number(group.dataset.duration), 1e-6);
  const controls = document.querySelector(".controls");
  const spanWords = controls.querySelector(".shown");
  const plots = [...group.querySelectorAll(".plot")].map((svg) => ({
    svg,
    area: svg.querySelector(".area"),
    trace: svg.querySelector(".trace"),
    still: svg.querySelector(".trace").getAttribute("d"),
    uprights: svg.querySelector(".upright"),
    grid: svg.querySelector(".grid"),
    spans: svg.querySelector(".spans"),
    rugs: [...svg.querySelectorAll(".rug")].map((path) => ({
      path,
      still: path.getAttribute("d"),
      code: path.classList.contains("bad") ? 4 : path.classList.contains("suspect") ? 3 : 9,
    })),
    reading: svg.closest(".panel").previousElementSibling.querySelector(".reading"),
    packed: store.channels[svg.dataset.channel],
    unit: svg.dataset.unit,
    scale: svg.previousElementSibling,
    marks: [...svg.previousElementSibling.childNodes],
    value: null,
    level: "",
    flags: null,
    cursor: null,
  }));
  const strips = [...document.querySelectorAll(".strip")].map((svg) => ({
    svg,
    plot: plots.find((plot) => plot.packed && plot.svg.dataset.channel === svg.dataset.channel),
    layers: [...svg.querySelectorAll(".flag")].map((path) => ({
      path,
      still: path.getAttribute("d"),
      shape: { good: [1, 44, 56], suspect: [3, 30, 100], missing: [9, 12, 88], bad: [4, 0, 100] }[path.classList[1]],
    })),
  }));
  const axes = [...document.querySelectorAll(".traces .times, .strips .times")].map((svg) => ({
    svg,
    still: [...svg.childNodes],
  }));
  const labels = [...group.querySelectorAll(".labels text")].map((node) => ({ node, at: Number(node.dataset.time) }));
  const COLUMNS = 700;
  let view = [0, duration];
  let time = null;
  let line = null;

  async function inflate(base64) {
    const bytes = Uint8Array.from(atob(base64), (c) => c.charCodeAt(0));
    const stream = new Blob([bytes]).stream().pipeThrough(new DecompressionStream("deflate-raw"));
    return new Uint8Array(await new Response(stream).arrayBuffer());
  }

  async function times() {
    const n = store.rows;
    const bytes = await inflate(store.time);
    const out = new Float64Array(n);
    let before = 0;
    let change = 0;
    for (let row = 0; row < n; row++) {
      const code = (bytes[row] | (bytes[n + row] << 8) | (bytes[2 * n + row] << 16) | (bytes[3 * n + row] << 24)) >>> 0;
      change = (change + ((code >>> 1) ^ -(code & 1))) | 0;
      before = (before + change) >>> 0;
      out[row] = before * store.step;
    }
    return out;
  }

  async function unpack(plot) {
    const n = store.rows;
    const [bytes, flags] = await Promise.all([inflate(plot.packed.data), inflate(plot.packed.flags)]);
    const bits = Math.ceil(n / 8);
    const count = (bytes.length - bits) / 2;
    const value = new Float64Array(n).fill(NaN);
    let whole = 0;
    for (let row = 0, k = 0; row < n; row++) {
      if (!((bytes[row >> 3] >> (row & 7)) & 1)) continue;
      const code = bytes[bits + k] | (bytes[bits + count + k] << 8);
      k++;
      whole = (whole + ((code >>> 1) ^ -(code & 1))) & 0xffff;
      value[row] = plot.packed.base + whole * plot.packed.step;
    }
    plot.value = value;
    plot.flags = flags;
  }

  // The first row at or after a time.
  function rowAt(seconds) {
    let low = 0;
    let high = time.length;
    while (low < high) {
      const middle = (low + high) >> 1;
      if (time[middle] < seconds) low = middle + 1;
      else high = middle;
    }
    return low;
  }

  const x = (seconds) => (1000 * (seconds - view[0])) / (view[1] - view[0]);
  const at = (a, b) => `${a.toFixed(1)} ${b.toFixed(1)}`;

  // First, lowest, highest and last of each column, as the charts of the page are thinned.
  function redraw(plot) {
    const first = Math.max(rowAt(view[0]) - 1, 0);
    const last = Math.min(rowAt(view[1]) + 1, time.length);
    const [low, high] = rescale(plot, first, last);
    const breaks = new Set(store.breaks);
    let d = "";
    let pen = false;
    let lone = false;
    let column = null;
    let kept = [];
    const flush = () => {
      if (!kept.length) return;
      let top = 0;
      let bottom = 0;
      kept.forEach((p, i) => {
        if (p[1] < kept[top][1]) top = i;
        if (p[1] > kept[bottom][1]) bottom = i;
      });
      const chosen = [...new Set([0, top, bottom, kept.length - 1])].sort((a, b) => a - b);
      for (const i of chosen) {
        d += (pen ? "L" : "M") + at(kept[i][0], kept[i][1]);
        lone = !pen;
        pen = true;
      }
      kept = [];
    };
    const lift = () => {
      flush();
      if (lone) d += "h0";
      pen = false;
      lone = false;
    };
    for (let row = first; row < last; row++) {
      const value = plot.value[row];
      if (breaks.has(row) || (Number.isNaN(value) && plot.flags[row] === 9)) lift();
      if (Number.isNaN(value)) continue;
      const px = x(time[row]);
      const here = Math.floor((px / 1000) * COLUMNS);
      if (here !== column) {
        flush();
        column = here;
      }
      kept.push([px, Math.min(Math.max((100 * (high - value)) / (high - low), 0), 100)]);
    }
    lift();
    plot.trace.setAttribute("d", d);
    const shapes = { 3: [97, 100], 4: [93, 100], 9: [95, 98] };
    for (const rug of plot.rugs) rug.path.setAttribute("d", boxes(plot.flags, first, last, rug.code, ...shapes[rug.code]));
  }

  // Boxes over the spans of one flag; one sample is wide enough to be seen, and none hides behind its neighbour.
  function boxes(flags, first, last, code, top, bottom) {
    let d = "";
    let left = null;
    let right = null;
    const close = () => {
      if (left !== null) d += `M${at(left, top)}H${right.toFixed(1)}V${bottom}H${left.toFixed(1)}Z`;
    };
    for (let row = first; row < last; row++) {
      if (flags[row] !== code) continue;
      const from = x(time[row]);
      const joins = left !== null && (flags[row - 1] === code || from - right < 1);
      if (!joins) {
        close();
        left = from;
      }
      right = Math.max(from, left + 2);
    }
    close();
    return d;
  }

  function ticks(low, high, most) {
    const span = high - low;
    const size = 10 ** Math.floor(Math.log10(span / most));
    const step = [1, 2, 5, 10].map((factor) => factor * size).find((candidate) => span / candidate <= most);
    const found = [];
    for (let tick = Math.ceil(low / step); tick * step <= high; tick++) found.push(tick * step);
    return { found, decimals: Math.max(0, -Math.floor(Math.log10(step) + 1e-9)) };
  }

  // Edges of a trace for what is in view, never closer than twenty steps of its values; writes the scale too.
  function rescale(plot, first, last) {
    let low = Infinity;
    let high = -Infinity;
    for (let row = first; row < last; row++) {
      const value = plot.value[row];
      if (value < low) low = value;
      if (value > high) high = value;
    }
    if (low > high) return [plot.packed.low, plot.packed.high];
    const least = 20 * plot.packed.step;
    const margin = Math.max(0.07 * (high - low), 0.5 * (least - (high - low)));
    [low, high] = [low - margin, high + margin];
    const { found, decimals } = ticks(low, high, 4);
    const height = Number(plot.svg.getAttribute("height"));
    const y = (tick) => (high - tick) / (high - low);
    plot.scale.replaceChildren(
      ...found.map((tick) => {
        const node = document.createElementNS(plot.svg.namespaceURI, "text");
        node.setAttribute("x", "46");
        node.setAttribute("y", String(Math.round(Math.min(Math.max(y(tick) * height, 9), height - 3) + 2)));
        node.setAttribute("text-anchor", "end");
        node.textContent = tick.toFixed(decimals);
        return node;
      }),
    );
    plot.level = found.map((tick) => `M0 ${(100 * y(tick)).toFixed(1)}H1000`).join("");
    return [low, high];
  }

  function whole() {
    return view[0] <= 0 && view[1] >= duration;
  }

  async function show() {
    time ??= await times();
    const all = whole();
    const { found, decimals } = ticks(view[0], view[1], 6);
    for (const { svg, still } of axes) {
      if (all) {
        svg.replaceChildren(...still);
        continue;
      }
      svg.replaceChildren(
        ...found.map((tick) => {
          const node = document.createElementNS(svg.namespaceURI, "text");
          const share = x(tick) / 10;
          node.setAttribute("x", `${share}%`);
          node.setAttribute("y", "14");
          node.setAttribute("text-anchor", share < 4 ? "start" : share > 94 ? "end" : "middle");
          node.textContent = `${tick.toFixed(decimals)} s`;
          return node;
        }),
      );
    }
    for (const { node, at: seconds } of labels) {
      node.setAttribute("x", `${x(seconds) / 10}%`);
    }
    const scale = duration / (view[1] - view[0]);
    const shift = `translate(${(-1000 * view[0]) / (view[1] - view[0])} 0) scale(${scale} 1)`;
    for (const plot of plots) {
      plot.spans.setAttribute("transform", all ? "" : shift);
      plot.uprights.setAttribute("d", all ? "" : found.map((tick) => `M${x(tick).toFixed(1)} 0V100`).join(""));
      plot.grid.setAttribute("visibility", all ? "visible" : "hidden");
      if (all || !plot.packed) {
        plot.scale.replaceChildren(...plot.marks);
        plot.trace.setAttribute("d", plot.still);
        plot.trace.setAttribute("transform", all ? "" : shift);
        for (const rug of plot.rugs) {
          rug.path.setAttribute("d", rug.still);
          rug.path.setAttribute("transform", all ? "" : shift);
        }
        continue;
      }
      if (!plot.value) await unpack(plot);
      redraw(plot);
      plot.uprights.setAttribute("d", plot.uprights.getAttribute("d") + plot.level);
    }
    const first = Math.max(rowAt(view[0]) - 1, 0);
    const last = Math.min(rowAt(view[1]) + 1, time.length);
    for (const { plot, layers } of strips) {
      for (const { path, still, shape } of layers) {
        path.setAttribute("d", all || !plot ? still : boxes(plot.flags, first, last, ...shape));
        path.setAttribute("transform", all || plot ? "" : shift);
      }
    }
    spanWords.textContent = `${view[0].toFixed(2)} s to ${view[1].toFixed(2)} s`;
    read();
  }

  let busy = false;
  let again = false;
  async function look(from, to) {
    const least = Math.min(duration, 0.05);
    const span = Math.min(Math.max(to - from, least), duration);
    const start = Math.min(Math.max(0.5 * (from + to) - 0.5 * span, 0), duration - span);
    view = [start, start + span];
    again = true;
    if (busy) return;
    busy = true;
    while (again) {
      again = false;
      await show();
    }
    busy = false;
  }

  // The reading line: the last value at or before a time, in every trace.
  async function read() {
    if (line === null) return;
    time ??= await times();
    for (const plot of plots) {
      if (!plot.cursor) {
        plot.cursor = document.createElementNS(plot.svg.namespaceURI, "line");
        plot.cursor.setAttribute("class", "cursor");
        plot.cursor.setAttribute("y2", "100%");
        plot.svg.append(plot.cursor);
      }
      const share = `${x(line) / 10}%`;
      plot.cursor.setAttribute("x1", share);
      plot.cursor.setAttribute("x2", share);
      if (!plot.packed) continue;
      if (!plot.value) await unpack(plot);
      let row = Math.min(rowAt(line + 1e-9), time.length) - 1;
      const oldest = row - 1000;
      while (row > 0 && row > oldest && Number.isNaN(plot.value[row])) row--;
      const value = plot.value[row];
      const decimals = Math.min(6, Math.max(0, -Math.floor(Math.log10(plot.packed.step) + 1e-9)));
      plot.reading.textContent = Number.isFinite(value)
        ? `${value.toFixed(decimals)} ${plot.unit === "1" ? "" : plot.unit} at ${time[row].toFixed(3)} s`
        : "";
    }
  }

  const secondsAt = (svg, clientX) => {
    const box = svg.getBoundingClientRect();
    return view[0] + ((clientX - box.left) / box.width) * (view[1] - view[0]);
  };

  let drag = null;
  for (const { svg } of [...plots, ...strips]) {
    svg.addEventListener("pointerdown", (event) => {
      if (event.button !== 0 || event.pointerType === "touch") return;
      svg.setPointerCapture(event.pointerId);
      const box = document.createElementNS(svg.namespaceURI, "rect");
      box.setAttribute("class", "chosen");
      box.setAttribute("height", "100%");
      svg.append(box);
      drag = { from: secondsAt(svg, event.clientX), box };
      event.preventDefault();
    });
    svg.addEventListener("pointermove", (event) => {
      line = secondsAt(svg, event.clientX);
      read();
      if (!drag) return;
      const [a, b] = [x(drag.from) / 10, x(line) / 10].sort((p, q) => p - q);
      drag.box.setAttribute("x", `${a}%`);
      drag.box.setAttribute("width", `${b - a}%`);
    });
    const finish = (event) => {
      if (!drag) return;
      const [a, b] = [drag.from, secondsAt(svg, event.clientX)].sort((p, q) => p - q);
      drag.box.remove();
      drag = null;
      if (event.type === "pointerup" && (b - a) / (view[1] - view[0]) > 0.01) look(a, b);
    };
    svg.addEventListener("pointerup", finish);
    svg.addEventListener("pointercancel", finish);
    svg.addEventListener("dblclick", () => look(0, duration));
  }

  const act = {
    closer: () => around(0.5),
    wider: () => around(2),
    earlier: () => move(-0.25),
    later: () => move(0.25),
    all: () => look(0, duration),
  };
  function around(factor) {
    const middle = line !== null && line > view[0] && line < view[1] ? line : 0.5 * (view[0] + view[1]);
    const half = 0.5 * factor * (view[1] - view[0]);
    look(middle - half, middle + half);
  }
  function move(share) {
    const by = share * (view[1] - view[0]);
    look(view[0] + by, view[1] + by);
  }
  function stepLine(by) {
    const step = (view[1] - view[0]) / 200;
    line = Math.min(Math.max((line ?? 0.5 * (view[0] + view[1])) + by * step, view[0]), view[1]);
    read();
  }
  controls.addEventListener("click", (event) => act[event.target.dataset.do]?.());
  const keys = {
    ArrowLeft: act.earlier, ArrowRight: act.later, "+": act.closer, "=": act.closer, "-": act.wider, "\u2212": act.wider,
    "0": act.all, ",": () => stepLine(-1), ".": () => stepLine(1),
  };
  group.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey || !(event.key in keys)) return;
    event.preventDefault();
    keys[event.key]();
  });
  for (const link of document.querySelectorAll("a.zoom")) {
    link.addEventListener("click", () => look(Number(link.dataset.from), Number(link.dataset.to)));
  }
  addEventListener("beforeprint", () => {
    for (const details of document.querySelectorAll("details")) details.open = true;
  });
  for (const live of [group, document.querySelector(".strips")]) live.classList.add("live");
  controls.hidden = false;
})();
