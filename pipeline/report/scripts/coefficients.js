"use strict";
/* Cd and Cl against Reynolds number or spin ratio: runs, model, published balls, balls of the shelf. */
(() => {
  const {data, unpacked, depthColour, faded, axis, layout, draw, colour} = Page;
  if (!data.coefficients.length) return;
  const BAR = 1.645, NAMES = {cd: "Cd", cl: "Cl"}, DASHES = ["dot", "dash", "dashdot", "longdash"];
  const pattern = Page.choices("coefficient-pattern", data.coefficients.map((of, n) => [n, of.pattern]), places);
  const against = document.getElementById("coefficient-against"), at = document.getElementById("coefficient-at");
  const shown = (name) => document.getElementById(`show-${name}`).checked;
  const tables = data.balls.map((ball) => ({...ball, cd: unpacked(ball.cd), cl: unpacked(ball.cl)}));
  const curves = data.coefficients.map((of) => of.curves.map((curve) => ({
    ...curve, ...Object.fromEntries(["cd", "cl", "cd_se", "cl_se", "tripped"].map((name) => [name, unpacked(curve[name])])),
  })));

  /* A ball's values along one line through its own conditions; nothing outside them. */
  function along(ball, name, overSpin, fixed, range) {
    const [lines, axisOf] = overSpin ? [ball.reynolds, ball.spin_ratio] : [ball.spin_ratio, ball.reynolds];
    const low = Math.max(range[0], axisOf[0]), high = Math.min(range[1], axisOf.at(-1));
    if (fixed < lines[0] - 1e-9 || fixed > lines.at(-1) + 1e-9 || low > high) return null;
    const count = 40, x = Array.from({length: count}, (_, n) => low + (high - low) * n / (count - 1));
    const grid = {logReynolds: ball.reynolds.map(Math.log), spin: ball.spin_ratio, values: interleaved(ball, name)};
    if (grid.logReynolds.length < 2 || grid.spin.length < 2) return null;
    return {x, y: x.map((value) => overSpin ? Flight.coefficients(grid, Math.log(fixed), value)[0]
      : Flight.coefficients(grid, Math.log(value), fixed)[0])};
  }
  const interleaved = (ball, name) => {
    const values = new Float64Array(3 * ball[name].length);
    ball[name].forEach((value, n) => { values[3 * n] = value; });
    return values;
  };

  const MOST = 8;
  let panels = [];

  /* Conditions to choose from: those of the runs, or, where runs lie anywhere, nodes of the model between them. */
  function places() {
    const of = data.coefficients[pattern.value], over = against.value === "spin_ratio", curve = curves[pattern.value][0];
    panels = over ? of.reynolds : of.spin_ratio;
    if (panels.length > MOST && curve) {
      const nodes = over ? curve.reynolds : curve.spin_ratio;
      panels = [1, 3, 5, 7].map((eighth) => nodes[Math.round((nodes.length - 1) * eighth / 8)]);
    }
    Page.choices("coefficient-at", panels.map((value) => [
      value, over ? `Re ${Math.round(value).toLocaleString("en")}` : `S ${Number(value.toPrecision(3))}`]), show);
    show();
  }

  /* Whether a run stands at a condition: it is the nearest of those to choose from. */
  function stands(run, over, fixed) {
    const off = (value) => over ? Math.abs(Math.log(run.reynolds / value)) : Math.abs(run.spin_ratio - value);
    return panels.every((value) => off(fixed) <= off(value));
  }

  function modelTraces(of, name, over, fixed) {
    const traces = [];
    curves[pattern.value].forEach((curve) => {
      const fixedAxis = over ? curve.reynolds : curve.spin_ratio, x = over ? curve.spin_ratio : curve.reynolds;
      let line = 0;
      fixedAxis.forEach((value, n) => { if (Math.abs(value - fixed) < Math.abs(fixedAxis[line] - fixed)) line = n; });
      const index = x.map((_, n) => over ? line * curve.spin_ratio.length + n : n * curve.spin_ratio.length + line);
      const value = index.map((n) => curve[name][n]), error = index.map((n) => BAR * curve[`${name}_se`][n]);
      const loose = index.map((n) => curve.tripped[n] < 1.0), of_ = depthColour(curve.depth_m), depth = curve.depth_m;
      traces.push({x: [...x, ...x.slice().reverse()], fill: "toself", hoverinfo: "skip", line: {width: 0}, showlegend: false, depth,
        y: [...value.map((v, n) => v + error[n]), ...value.map((v, n) => v - error[n]).reverse()], fillcolor: faded(of_, 0.15)});
      const text = `model at ${millimetres(depth)}: ${NAMES[name]} %{y:.4f}<extra></extra>`;
      traces.push({x, y: value.map((v, n) => loose[n] ? null : v), mode: "lines", line: {color: of_, width: 2}, showlegend: false, depth,
        hovertemplate: text});
      const near = loose.map((is, n) => is || loose[n - 1] || loose[n + 1]);
      traces.push({x, y: value.map((v, n) => near[n] ? v : null), mode: "lines", line: {color: of_, width: 2, dash: "dash"},
        showlegend: false, depth, hovertemplate: text});
    });
    return traces;
  }

  function traces(of, name, over, fixed) {
    const found = shown("model") ? modelTraces(of, name, over, fixed) : [];
    const axisOf = over ? of.spin_ratio : of.reynolds, range = [Math.min(...axisOf), Math.max(...axisOf)];
    const here = of.runs.filter((run) => stands(run, over, fixed)), every = [...new Set(of.runs.map((run) => run.depth_m))].sort((a, b) => a - b);
    const groups = every.length > MOST ? [[here, "runs, coloured by depth"]]
      : every.map((depth) => [here.filter((run) => run.depth_m === depth), millimetres(depth), depth]);
    groups.forEach(([runs, name_, depth]) => found.push({
      x: runs.map((run) => over ? run.spin_ratio : run.reynolds), y: runs.map((run) => run[`${name}_flown`]), mode: "markers", depth,
      visible: shown("runs"), name: name_, text: runs.map((run) => `${millimetres(run.depth_m)}: ${NAMES[name]} ${run[name].toFixed(4)}`
        + (run[name] === run[`${name}_flown`] ? "" : `, flown as ${run[`${name}_flown`].toFixed(4)}`)),
      marker: {color: depth === undefined ? runs.map((run) => depthColour(run.depth_m)) : depthColour(depth), size: 9,
        line: {color: colour("ink"), width: 1}},
      error_y: {type: "data", array: runs.map((run) => BAR * (run[`${name}_se`] ?? 0)), thickness: 1.2, width: 3,
        color: depth === undefined ? colour("soft") : depthColour(depth)},
      hovertemplate: "run at %{text}<extra></extra>",
    }));
    tables.filter((ball) => shown(ball.kind)).forEach((ball, n) => {
      const line = along(ball, name, over, fixed, range);
      if (line) found.push({...line, mode: "lines", name: ball.name, hovertemplate: `${ball.name}: %{y:.4f}<extra></extra>`,
        line: {color: ball.kind === "reference" ? colour("reference") : colour("soft"), width: 1.6, dash: DASHES[n % 4]}});
    });
    return found;
  }

  function show() {
    const of = data.coefficients[pattern.value], over = against.value === "spin_ratio", fixed = Number(at.value);
    for (const name of ["cd", "cl"]) {
      draw(`chart-${name}`, () => ({
        traces: traces(of, name, over, fixed),
        layout: layout({height: Page.narrow() ? 330 : 400, xaxis: axis(over ? "spin ratio S" : "Reynolds number Re"), yaxis: axis(NAMES[name])}),
      }));
    }
  }

  against.onchange = places;
  at.onchange = show;
  for (const name of ["model", "runs", "published", "reference"]) document.getElementById(`show-${name}`).onchange = show;
  places();

  for (const id of ["chart-cd", "chart-cl"]) {
    Page.onMark(id, (depth) => {
      const chart = document.getElementById(id);
      const near = depth === null ? null : chart.data.map((trace) => trace.depth).filter((of) => typeof of === "number")
        .reduce((best, of) => Math.abs(of - depth) < Math.abs(best - depth) ? of : best, Infinity);
      const opacity = chart.data.map((trace) => near === null || typeof trace.depth !== "number" || trace.depth === near ? 1 : 0.18);
      if (opacity.length) Plotly.restyle(chart, {opacity});
    });
  }
})();
