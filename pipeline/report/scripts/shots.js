"use strict";
/* Flights in the page: a golfer's shot changed by sliders, flown at every depth computed and at the one chosen. */
(() => {
  const {data, unpacked, depthColour, colour, axis, layout, draw} = Page;
  const patterns = data.patterns.filter((of) => of.tables);
  if (!patterns.length) return;
  const DEG = Math.PI / 180, RPM = Math.PI / 30, MPH = 0.44704;
  const byName = new Map(patterns.map((of) => {
    const t = of.tables, values = unpacked(t.values), each = 3 * t.log_reynolds.length * t.spin_ratio.length;
    return [of.name, of.depth_m.map((_, n) => ({
      logReynolds: t.log_reynolds, spin: t.spin_ratio, lowest: t.lowest, highest: t.highest, hasCm: t.has_cm,
      values: values.subarray(n * each, (n + 1) * each),
    }))];
  }));

  const SI = UNIT.name === "m";
  const speed = (v) => SI ? `${v.toFixed(1)} m/s` : `${(v / MPH).toFixed(1)} mph (${v.toFixed(1)} m/s)`;

  /* What a slider sets: its SI value, how it is shown, and the slider's own unit. */
  const SLIDERS = {
    speed: {unit: MPH, text: speed},
    angle: {unit: DEG, text: (v) => `${(v / DEG).toFixed(1)} deg`},
    spin: {unit: RPM, text: (v) => `${(v / RPM).toFixed(0)} rpm`},
    tilt: {unit: DEG, text: (v) => `${(v / DEG).toFixed(1)} deg`},
    wind: {unit: MPH, text: speed},
    from: {unit: DEG, text: (v) => `${(v / DEG).toFixed(0)} deg`},
    altitude: {unit: 1, text: (v) => SI ? `${v.toFixed(0)} m` : `${(v / 0.3048).toFixed(0)} ft (${v.toFixed(0)} m)`},
  };
  const state = {}, kept = {flight: null, words: ""};
  const at = (id) => document.getElementById(`shot-${id}`);
  const golfer = Page.choices("shot-golfer", data.golfers.map((of, n) => [n, of.name]), reset);
  const pattern = Page.choices("shot-pattern", patterns.map((of) => [of.name, of.name]), () => { depths(); show(); });
  const depth = at("depth");

  function depths() {
    const of = Page.pattern(pattern.value);
    depth.max = of.depth_m.length - 1;
    if (depth.value === "" || state.depth === undefined) {
      const [, named] = data.golfers[golfer.value].lines.find((line) => line.pattern === of.name)?.named ?? [];
      let best = 0;
      of.depth_m.forEach((m, n) => { if (of.studied[n] && Math.abs(m - (named ?? m)) < Math.abs(of.depth_m[best] - (named ?? m))) best = n; });
      depth.value = best;
    }
    state.depth = Math.min(Number(depth.value), of.depth_m.length - 1);
    depth.value = state.depth;
  }

  /* Set everything to the golfer's mean shot in the study's own air. */
  function reset() {
    Object.assign(state, data.golfers[golfer.value].launch, {wind: data.wind.speed, from: data.wind.from, depth: undefined,
      air: {...data.air}});
    state.altitude = data.air.altitude ?? Flight.altitudeOf(data.air.pressure);
    for (const [name, of] of Object.entries(SLIDERS)) at(name).value = state[name] / of.unit;
    depths();
    show();
  }

  function conditions() {
    return Flight.world(data.ball, Flight.air(state.air), {...data.wind, speed: state.wind, from: state.from}, data.constants);
  }
  const flown = (table, w) => Flight.fly(table, state, w, data.constants);

  const ROWS = [
    ["carry", (f) => f.carry_m, "yd"], ["peak height", (f) => f.peak_height_m, "yd"], ["side (right +)", (f) => f.side_m, "yd"],
    ["total (less certain)", (f) => f.total_m, "yd"], ["descent angle", (f) => f.descent_deg, "deg", 1], ["flight time", (f) => f.time_s, "s", 2],
    ["spin at landing", (f) => f.final_spin_rpm, "rpm", 0], ["time outside the table", (f) => 100 * f.extrapolated, "%", 0],
  ];
  const length = (m, sign = "") => SI ? `${sign}${m.toFixed(1)} m`
    : `${sign}${(m / UNIT.size_m).toFixed(1)} yd (${sign}${m.toFixed(1)} m)`;
  const written = (value, unit, digits) => unit === "yd" ? length(value) : `${value.toFixed(digits)} ${unit}`;
  const difference = (value, unit, digits) => unit === "yd" ? length(value, value > 0 ? "+" : "")
    : `${value > 0 ? "+" : ""}${value.toFixed(digits)} ${unit}`;

  /* What `depthline fly` is to be told for the same flight; only for depths that tables.csv has. */
  function command(of) {
    const trimmed = (value) => String(Number(value.toPrecision(9)));
    const quickness = (v) => SI ? `${trimmed(v)} m/s` : `${trimmed(v / MPH)} mph`;
    if (!of.studied[state.depth]) return `# ${millimetres(of.depth_m[state.depth])} lies between the depths of tables.csv`;
    const quoted = (text) => /^[\w./-]+$/.test(text) ? text : `'${text.replaceAll("'", "'\\''")}'`;
    const parts = [`depthline fly ${quoted(`results/${data.study}/tables.csv`)}`, `--pattern ${quoted(of.name)}`,
      `--depth '${trimmed(1e3 * of.depth_m[state.depth])} mm'`, `--speed '${quickness(state.speed)}'`,
      `--angle '${trimmed(state.angle / DEG)} deg'`, `--spin '${trimmed(state.spin / RPM)} rpm'`];
    if (state.tilt) parts.push(`--tilt '${trimmed(state.tilt / DEG)} deg'`);
    parts.push(`--diameter '${trimmed(1e3 * data.ball.diameter_m)} mm'`, `--mass '${trimmed(1e3 * data.ball.mass_kg)} g'`);
    const {temperature, pressure, altitude, humidity} = state.air;
    if (altitude !== null) parts.push(`--altitude '${trimmed(altitude)} m'`);
    else parts.push(`--pressure '${trimmed(pressure / 100)} hPa'`);
    if (temperature !== null) parts.push(`--temperature '${trimmed(temperature - 273.15)} degC'`);
    parts.push(`--humidity '${trimmed(100 * humidity)} %'`);
    if (state.wind) parts.push(`--wind '${quickness(state.wind)}'`, `--wind-from '${trimmed(state.from / DEG)} deg'`,
      `--wind-profile ${data.wind.profile}`);
    if (SI) parts.push("--units SI");
    return parts.join(" ");
  }

  function table(flight) {
    const head = document.getElementById("shot-kept");
    head.textContent = kept.words;
    document.getElementById("shot-numbers").classList.toggle("compared", kept.flight !== null);
    document.querySelector("#shot-numbers tbody").replaceChildren(...ROWS.map(([name, value, unit, digits]) => {
      const row = document.createElement("tr"), th = document.createElement("th");
      th.scope = "row";
      th.className = "label";
      th.textContent = name;
      const cells = [flight ? written(value(flight), unit, digits) : "not landed in a minute"];
      cells.push(kept.flight ? written(value(kept.flight), unit, digits) : "");
      cells.push(kept.flight && flight ? difference(value(flight) - value(kept.flight), unit, digits) : "");
      row.append(th, ...cells.map((text) => { const td = document.createElement("td"); td.textContent = text; return td; }));
      return row;
    }));
  }

  function paths(of, every, now, x, y) {
    const traces = every.filter(([, flight]) => flight).map(([m, flight]) => ({
      x: distances(flight.path[x]), y: distances(flight.path[y]), mode: "lines", depth: m, name: millimetres(m, 2),
      line: {color: depthColour(m), width: 1.4}, hovertemplate: `${millimetres(m)}: %{x:.0f} ${UNIT.name}, %{y:.1f} ${UNIT.name}<extra></extra>`,
    }));
    if (kept.flight) traces.push({x: distances(kept.flight.path[x]), y: distances(kept.flight.path[y]), mode: "lines", name: "kept",
      line: {color: colour("reference"), dash: "dash", width: 2}});
    if (now) traces.push({x: distances(now.path[x]), y: distances(now.path[y]), mode: "lines", name: "this flight", depth: of.depth_m[state.depth],
      line: {color: colour("mark"), width: 3}, hovertemplate: `this flight: %{x:.0f} ${UNIT.name}, %{y:.1f} ${UNIT.name}<extra></extra>`});
    return traces;
  }

  function show() {
    const of = Page.pattern(pattern.value), tables = byName.get(of.name), w = conditions();
    const now = flown(tables[state.depth], w);
    const every = of.depth_m.map((m, n) => [m, n]).filter(([, n]) => of.studied[n]).map(([m, n]) => [m, flown(tables[n], w)]);
    for (const [name, control] of Object.entries(SLIDERS)) {
      const text = control.text(state[name]);
      document.getElementById(`shot-${name}-value`).textContent = text;
      at(name).setAttribute("aria-valuetext", text);
    }
    const angle = of.edge_angle_deg[state.depth];
    const text = millimetres(of.depth_m[state.depth]) + (angle === null ? "" : `, ${angle.toFixed(2)} deg`)
      + (of.studied[state.depth] ? "" : ", between runs");
    document.getElementById("shot-depth-value").textContent = text;
    depth.setAttribute("aria-valuetext", text);
    table(now);
    document.getElementById("shot-command").textContent = command(of);
    const golferWindow = data.golfers[golfer.value].window, shapes = golferWindow ? [{type: "rect", xref: "paper", x0: 0, x1: 1, layer: "below",
      y0: golferWindow[0] / UNIT.size_m, y1: golferWindow[1] / UNIT.size_m, line: {width: 0}, fillcolor: Page.faded(colour("good"), 0.14)}] : [];
    draw("chart-side", () => ({
      traces: paths(of, every, now, "x", "z"),
      layout: layout({height: 300, xaxis: axis(`down range (${UNIT.name})`, {rangemode: "tozero"}), yaxis: axis(`height (${UNIT.name})`, {rangemode: "tozero"}), shapes}),
    }));
    const widest = Math.max(10, ...[now, kept.flight, ...every.map(([, flight]) => flight)].filter(Boolean)
      .flatMap((flight) => flight.path.s.map((s) => 1.1 * Math.abs(s) / UNIT.size_m)));
    draw("chart-above", () => ({
      traces: paths(of, every, now, "x", "s"),
      layout: layout({height: 230, showlegend: false, xaxis: axis(`down range (${UNIT.name})`, {rangemode: "tozero"}),
        yaxis: axis(`side, right + (${UNIT.name})`, {range: [widest, -widest]})}),
    }));
    latest = {of, now};
  }
  let latest = null;

  for (const [name, of] of Object.entries(SLIDERS)) {
    at(name).oninput = () => {
      state[name] = Number(at(name).value) * of.unit;
      if (name === "altitude") Object.assign(state.air, {altitude: state.altitude, pressure: null});
      show();
    };
  }
  depth.oninput = () => {
    state.depth = Number(depth.value);
    show();
    Page.mark(Page.pattern(pattern.value).depth_m[state.depth]);
  };
  at("reset").onclick = reset;
  at("keep").onclick = () => {
    kept.flight = latest.now;
    kept.words = `kept: ${latest.of.name} at ${millimetres(latest.of.depth_m[state.depth])}`;
    show();
  };
  for (const id of ["chart-side", "chart-above"]) {
    Page.onMark(id, (m) => {
      const width = document.getElementById(id).data.map((trace) => trace.name === "this flight" ? 3
        : m !== null && Math.abs((trace.depth ?? 0) - m) < 5e-7 ? 4 : 1.4);
      Plotly.restyle(id, {"line.width": width});
    });
  }
  reset();

  /* For the tests: the same functions on any shot. */
  Page.flyAt = (name, place, shot, airOf, wind) => {
    const flight = Flight.fly(byName.get(name)[place], shot, Flight.world(data.ball, Flight.air(airOf), {...data.wind, ...wind}, data.constants), data.constants);
    if (flight) delete flight.path;
    return flight;
  };
})();
