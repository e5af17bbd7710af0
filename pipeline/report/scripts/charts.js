"use strict";
/* What all charts of the page share: data, colours of light and dark, axes, the depth that is marked. */
/* Lengths of flights in the unit that is shown: yards, or metres in SI. */
const UNIT = JSON.parse(document.getElementById("data").textContent).units;
const distances = (metres) => metres.map((value) => value === null ? null : value / UNIT.size_m);
const millimetres = (metres, digits = 3) => `${(1e3 * metres).toFixed(digits)} mm`;

/* How far from the window a chart is drawn. */
const NEAR = "600px";

const Page = (() => {
  const data = JSON.parse(document.getElementById("data").textContent);
  const listeners = [], makers = new Map(), there = new Set();
  let marked = null, due = new Set();

  const TYPES = {"<f4": Float32Array, "<u2": Uint16Array, "<i2": Int16Array, "<u4": Uint32Array, "|u1": Uint8Array};

  /* Array of bytes in base64, as from pipeline/report/page_data.py. */
  function unpacked(of) {
    const letters = atob(of.data), bytes = new Uint8Array(letters.length);
    for (let n = 0; n < bytes.length; n++) bytes[n] = letters.charCodeAt(n);
    return new TYPES[of.type](bytes.buffer);
  }

  const dark = () => matchMedia("(prefers-color-scheme: dark)").matches;
  const colour = (name) => getComputedStyle(document.documentElement).getPropertyValue(`--${name}`).trim();

  /* Colour of a depth: that of the nearest one studied. */
  function depthColour(depth) {
    let best = data.colours[0];
    for (const entry of data.colours) if (Math.abs(entry[0] - depth) < Math.abs(best[0] - depth)) best = entry;
    return best[dark() ? 2 : 1];
  }
  const patternColour = (pattern) => pattern.colour[dark() ? 1 : 0];
  const SYMBOLS = ["circle", "square", "triangle-up", "diamond", "triangle-down", "cross"];
  const symbol = (pattern) => SYMBOLS[pattern.place % SYMBOLS.length];
  const pattern = (name) => data.patterns.find((of) => of.name === name);

  function faded(hex, alpha) {
    const [r, g, b] = [1, 3, 5].map((at) => parseInt(hex.slice(at, at + 2), 16));
    return `rgba(${r},${g},${b},${alpha})`;
  }

  const narrow = () => innerWidth < 640;

  function axis(title, more = {}) {
    return {
      title: {text: title, font: {size: 12}, standoff: 8}, gridcolor: colour("line"), linecolor: colour("soft"), zeroline: false,
      tickfont: {size: 11, color: colour("soft")}, automargin: true, showline: true, fixedrange: matchMedia("(pointer: coarse)").matches,
      ...more,
    };
  }

  function layout(more) {
    return {
      paper_bgcolor: "rgba(0,0,0,0)", plot_bgcolor: "rgba(0,0,0,0)", margin: {l: 50, r: 12, t: 10, b: 44},
      font: {family: getComputedStyle(document.body).fontFamily, size: 12, color: colour("ink")},
      hoverlabel: {bgcolor: colour("paper"), bordercolor: colour("soft"), font: {color: colour("ink"), size: 12}},
      legend: {orientation: "h", y: 1.02, yanchor: "bottom", x: 0, font: {size: 11}}, hovermode: "closest",
      showlegend: true, ...more,
    };
  }

  /* Draw into the element of this identifier; `make` returns {traces, layout} and is called again when colours change.
     Nothing is drawn before its element comes near the window: see `begin`. */
  function draw(id, make) {
    makers.set(id, make);
    if (!there.has(id)) return;
    due.add(id);
    if (due.size === 1) requestAnimationFrame(() => {
      const now = due;
      due = new Set();
      now.forEach(drawNow);
    });
  }

  function drawNow(id) {
    const {traces, layout: of} = makers.get(id)();
    Plotly.react(id, traces, of, {responsive: true, displayModeBar: false, scrollZoom: false});
    if (marked !== null) tell((listener) => listener.id === id);
  }

  function drawFirst(id) {
    there.add(id);
    drawNow(id);
    const at = document.getElementById(id);
    at.on("plotly_hover", (event) => {
      const depth = event.points[0].data.depth ?? event.points[0].customdata?.depth;
      if (typeof depth === "number") mark(depth);
    });
    at.dispatchEvent(new Event("drawn"));
  }

  /* Wait for each chart to come near the window, then draw it; the chart library is unpacked for the first one. */
  function begin(unpackLibrary) {
    let library = null;
    const watch = new IntersectionObserver((entries) => entries.filter((entry) => entry.isIntersecting).forEach(async ({target}) => {
      watch.unobserve(target);
      library ??= unpackLibrary();
      await library;
      drawFirst(target.id);
    }), {rootMargin: NEAR});
    makers.forEach((_, id) => watch.observe(document.getElementById(id)));
  }

  /* `show(depth)` is called when a depth is marked; null takes the mark away. Charts that are not drawn yet get it then. */
  function onMark(id, show) { listeners.push({id, show}); }
  const tell = (whom) => listeners.filter(whom).forEach((listener) => listener.show(marked));
  function mark(depth) {
    if (depth === marked) return;
    marked = depth;
    tell(({id}) => !makers.has(id) || there.has(id));
  }

  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => there.forEach(drawNow));

  /* Fill a list of choices, [[value, text], ...], and call `changed` when another one is chosen. */
  function choices(id, options, changed) {
    const select = document.getElementById(id);
    select.replaceChildren(...options.map(([value, text]) => new Option(text, value)));
    if (changed) select.onchange = changed;
    return select;
  }

  return {data, unpacked, colour, dark, depthColour, patternColour, pattern, symbol, faded, narrow, axis, layout, draw,
    onMark, mark, marked: () => marked, choices, begin};
})();
