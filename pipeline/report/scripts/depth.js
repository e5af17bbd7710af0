"use strict";
/* Carry and peak height against depth, and against each other, for the golfer chosen. */
(() => {
  const {data, pattern, patternColour, depthColour, symbol, faded, axis, layout, draw, colour} = Page;
  const golfer = Page.choices("golfer", data.golfers.map((of, n) => [n, of.name]), show);
  const BAND = "90 % band", GRID = "runs' own grid";

  function points(line, values, name, more) {
    const of = pattern(line.pattern);
    return {
      x: line.studied_m.map((depth) => 1e3 * depth), y: distances(values), mode: "markers", name, ...more,
      customdata: line.studied_m.map((depth) => ({depth})),
      marker: {
        symbol: symbol(of), size: 11, color: line.studied_m.map(depthColour),
        line: {color: patternColour(of), width: 1.5},
      },
    };
  }

  function lines(chosen, value, low, high, studied, runs, word) {
    const traces = [];
    chosen.lines.forEach((line, n) => {
      const of = pattern(line.pattern), x = line.depth_m.map((depth) => 1e3 * depth);
      if (low) {
        traces.push({
          x: [...x, ...x.slice().reverse()], y: [...distances(line[high]), ...distances(line[low]).reverse()], fill: "toself",
          fillcolor: faded(patternColour(of), chosen.lines.length > 1 ? 0.07 : 0.14), line: {color: faded(patternColour(of), 0.45), width: chosen.lines.length > 1 ? 1 : 0, dash: "dot"}, hoverinfo: "skip", name: BAND,
          showlegend: n === 0,
        });
      }
      traces.push({
        x, y: distances(line[value]), mode: "lines", name: line.pattern,
        line: {color: patternColour(of), width: 2}, customdata: line.depth_m.map((depth) => ({depth})),
        hovertemplate: `${line.pattern} at %{x:.3f} mm: %{y:.1f} ${UNIT.name}<extra></extra>`,
      });
      traces.push({
        ...points(line, line[studied], "depths computed", {showlegend: n === 0}),
        hovertemplate: `${line.pattern} at %{x:.3f} mm, computed: ${word} %{y:.1f} ${UNIT.name}<extra></extra>`,
      });
      if (line[runs].some((value) => value !== null)) {
        traces.push({
          x: line.studied_m.map((depth) => 1e3 * depth), y: distances(line[runs]), mode: "markers", name: GRID,
          showlegend: n === 0, marker: {symbol: "x-thin", size: 9, line: {color: colour("ink"), width: 1.6}},
          hovertemplate: `${line.pattern} at %{x:.3f} mm, runs' own grid: %{y:.1f} ${UNIT.name}<extra></extra>`,
        });
      }
    });
    const reference = value === "carry_m" ? "carry_m" : "peak_m";
    const span = chosen.lines.flatMap((line) => [1e3 * line.depth_m[0], 1e3 * line.depth_m.at(-1)]);
    chosen.references.forEach((ball, n) => traces.push({
      x: [Math.min(...span), Math.max(...span)], y: distances([ball[reference], ball[reference]]), mode: "lines", name: ball.name,
      line: {color: colour("reference"), dash: ["dot", "dash", "dashdot", "longdash"][n % 4], width: 1.5},
    }));
    return traces;
  }

  /* Where the curve's peak height lies in the golfer's window: intervals of depth [m]. */
  function inWindow(line, window) {
    const found = [];
    let start = null;
    line.depth_m.forEach((depth, n) => {
      const inside = window[0] <= line.peak_m[n] && line.peak_m[n] <= window[1];
      if (inside && start === null) start = depth;
      if (start !== null && (!inside || n === line.depth_m.length - 1)) {
        found.push([start, inside ? depth : line.depth_m[n - 1]]);
        start = null;
      }
    });
    return found;
  }

  function carryShapes(chosen) {
    const shapes = [], several = chosen.lines.length;
    chosen.lines.forEach((line, n) => {
      const of = patternColour(pattern(line.pattern)), [low, named, high] = line.named;
      if (low !== null && high !== null) {
        shapes.push({type: "rect", x0: 1e3 * low, x1: 1e3 * high, yref: "paper", y0: 0, y1: 1, line: {width: 0},
          fillcolor: faded(of, 0.08), layer: "below"});
      }
      if (named !== null) {
        shapes.push({type: "line", x0: 1e3 * named, x1: 1e3 * named, yref: "paper", y0: 0, y1: 1, line: {color: of, dash: "dot", width: 1.5}});
      }
      if (chosen.window) {
        inWindow(line, chosen.window).forEach(([from, to]) => shapes.push({
          type: "rect", x0: 1e3 * from, x1: 1e3 * to, yref: "paper", y0: 0.012 + 0.03 * n, y1: 0.034 + 0.03 * n,
          line: {width: 0}, fillcolor: several > 1 ? of : colour("good"),
        }));
      }
    });
    return shapes;
  }

  /* Depths written beside their points: the ends of each curve where several or little room would let them overlap. */
  function labelled(chosen, line, place) {
    return (chosen.lines.length === 1 && !Page.narrow()) || place === 0 || place === line.studied_m.length - 1;
  }

  function windowShape(chosen, along) {
    if (!chosen.window) return [];
    const [low, high] = distances(chosen.window), fill = {line: {width: 0}, fillcolor: faded(colour("good"), 0.14), layer: "below", type: "rect"};
    return [along === "y" ? {...fill, xref: "paper", x0: 0, x1: 1, y0: low, y1: high} : {...fill, yref: "paper", y0: 0, y1: 1, x0: low, x1: high}];
  }

  const markLine = (depth) => depth === null ? [] : [{
    type: "line", x0: 1e3 * depth, x1: 1e3 * depth, yref: "paper", y0: 0, y1: 1, line: {color: colour("mark"), width: 2}, name: "mark",
  }];

  function show() {
    const chosen = data.golfers[golfer.value], height = Page.narrow() ? 330 : 380;
    document.querySelectorAll(".golfer-name").forEach((at) => { at.textContent = chosen.name; });
    draw("chart-carry", () => ({
      traces: lines(chosen, "carry_m", "carry_lo_m", "carry_hi_m", "studied_carry_m", "runs_carry_m", "carry"),
      layout: layout({height, xaxis: axis("surface depth (mm)"), yaxis: axis(`carry (${UNIT.name})`),
        shapes: [...carryShapes(chosen), ...markLine(Page.marked())]}),
    }));
    draw("chart-peak", () => ({
      traces: lines(chosen, "peak_m", null, null, "studied_peak_m", "runs_peak_m", "peak height"),
      layout: layout({height, xaxis: axis("surface depth (mm)"), yaxis: axis(`peak height (${UNIT.name})`),
        shapes: [...windowShape(chosen, "y"), ...markLine(Page.marked())]}),
    }));
    draw("chart-height", () => ({
      traces: chosen.lines.flatMap((line, n) => [
        {
          x: distances(line.peak_m), y: distances(line.carry_m), mode: "lines", name: line.pattern,
          line: {color: patternColour(pattern(line.pattern)), width: 2}, customdata: line.depth_m.map((depth) => ({depth})),
          hovertemplate: `${line.pattern}: carry %{y:.1f} ${UNIT.name}, peak height %{x:.1f} ${UNIT.name}<extra></extra>`,
        },
        {
          ...points(line, line.studied_carry_m, "depths computed", {showlegend: n === 0}), x: distances(line.studied_peak_m),
          text: line.studied_m.map((depth, place) => labelled(chosen, line, place) ? millimetres(depth, 2) : ""), hovertext: line.studied_m.map((depth) => millimetres(depth)), mode: "markers+text", textposition: "top center", textfont: {size: 10},
          hovertemplate: `${line.pattern} at %{hovertext}: carry %{y:.1f} ${UNIT.name}, peak height %{x:.1f} ${UNIT.name}<extra></extra>`,
        },
      ]),
      layout: layout({height, xaxis: axis(`peak height (${UNIT.name})`), yaxis: axis(`carry (${UNIT.name})`), shapes: windowShape(chosen, "x")}),
    }));
  }
  show();

  for (const id of ["chart-carry", "chart-peak"]) {
    Page.onMark(id, (depth) => {
      const at = document.getElementById(id), kept = (at.layout.shapes || []).filter((shape) => shape.name !== "mark");
      Plotly.relayout(at, {shapes: [...kept, ...markLine(depth)]});
    });
  }
  Page.onMark("chart-height", (depth) => {
    const chosen = data.golfers[golfer.value];
    const annotations = depth === null ? [] : chosen.lines.filter((line) =>
      line.depth_m[0] - 1e-9 <= depth && depth <= line.depth_m.at(-1) + 1e-9).map((line) => {
      let n = 0;
      line.depth_m.forEach((at, place) => { if (Math.abs(at - depth) < Math.abs(line.depth_m[n] - depth)) n = place; });
      return {x: line.peak_m[n] / UNIT.size_m, y: line.carry_m[n] / UNIT.size_m, text: millimetres(depth), ax: 28, ay: 28, arrowcolor: colour("mark"),
        arrowwidth: 2, bgcolor: colour("paper"), bordercolor: colour("mark")};
    });
    Plotly.relayout("chart-height", {annotations});
  });

  /* The same by keyboard: a slider over all depths computed. */
  const slider = document.getElementById("mark"), value = document.getElementById("mark-value");
  slider.max = data.colours.length;
  slider.oninput = () => Page.mark(Number(slider.value) ? data.colours[slider.value - 1][0] : null);
  Page.onMark("mark", (depth) => {
    value.textContent = depth === null ? "none" : millimetres(depth);
    const place = depth === null ? 0 : 1 + data.colours.findIndex(([of]) => Math.abs(of - depth) < 5e-7);
    if (place >= 0) slider.value = place;
    slider.setAttribute("aria-valuetext", value.textContent);
  });
})();
