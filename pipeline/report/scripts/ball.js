"use strict";
/* The ball in three dimensions: depth below the phantom sphere, or pressure and friction of a run. */
(() => {
  const {data, unpacked, colour} = Page, surfaces = JSON.parse(document.getElementById("surfaces").textContent);
  const section = document.getElementById("ball-live"), canvas = document.createElement("canvas");
  if (!surfaces.variants.length || !(canvas.getContext("webgl2") || canvas.getContext("webgl"))) {
    section.hidden = true;
    document.getElementById("balls").classList.add("stills");
    return;
  }
  const names = [...new Set(surfaces.variants.map((of) => of.pattern))];
  const pattern = Page.choices("ball-pattern", names.map((name) => [name, name]), () => { depths(); show(); });
  const shade = Page.choices("ball-shade", [["below", "depth below the phantom sphere"], ...surfaces.runs.flatMap((run, n) => [
    [`pressure-${n}`, `pressure Cp: ${run.name}`], [`friction-${n}`, `friction |Cf|: ${run.name}`]])], show);
  const depth = document.getElementById("ball-depth"), value = document.getElementById("ball-depth-value");
  let grid = null, camera = {eye: {x: 1.15, y: -0.62, z: 0.42}, projection: {type: "orthographic"}};

  /* Nodes and triangles of an equiangular cubed sphere, in the order of pipeline/geometry/shell/cubed_sphere.py. */
  function cubedSphere(n) {
    const faces = [(i, j) => [n, i, j], (i, j) => [0, n - i, j], (i, j) => [n - i, n, j], (i, j) => [i, 0, j],
      (i, j) => [n - j, i, n], (i, j) => [j, i, 0]];
    const code = ([a, b, c]) => (a * (n + 1) + b) * (n + 1) + c;
    const codes = new Set();
    faces.forEach((face) => { for (let i = 0; i <= n; i++) for (let j = 0; j <= n; j++) codes.add(code(face(i, j))); });
    const sorted = [...codes].sort((a, b) => a - b), place = new Map(sorted.map((of, at) => [of, at]));
    const tangent = Array.from({length: n + 1}, (_, i) => Math.tan((2 * i / n - 1) * Math.PI / 4));
    const nodes = sorted.map((of) => {
      const cube = [Math.floor(of / (n + 1) ** 2), Math.floor(of / (n + 1)) % (n + 1), of % (n + 1)].map((i) => tangent[i]);
      const size = Math.hypot(...cube);
      return cube.map((c) => c / size);
    });
    const i = [], j = [], k = [];
    faces.forEach((face) => {
      for (let a = 0; a < n; a++) for (let b = 0; b < n; b++) {
        const [p, q, r, s] = [[a, b], [a + 1, b], [a + 1, b + 1], [a, b + 1]].map(([x, y]) => place.get(code(face(x, y))));
        i.push(p, p); j.push(q, r); k.push(r, s);
      }
    });
    return {nodes, i, j, k};
  }

  const own = () => surfaces.variants.filter((of) => of.pattern === pattern.value);
  function depths() {
    depth.max = own().length - 1;
    if (Number(depth.value) > depth.max) depth.value = depth.max;
  }

  function ofVariant() {
    grid ??= cubedSphere(surfaces.cells);
    const variant = own()[depth.value], below = unpacked(variant.below), scale = surfaces.deepest_m / 65535;
    const radius = (n) => 1 - below[n] * scale / surfaces.radius_m;
    return {
      x: grid.nodes.map((node, n) => node[0] * radius(n)), y: grid.nodes.map((node, n) => node[1] * radius(n)),
      z: grid.nodes.map((node, n) => node[2] * radius(n)), i: grid.i, j: grid.j, k: grid.k,
      intensity: Array.from(below, (of) => 1e6 * of * scale), cmin: 0, cmax: 1e6 * surfaces.deepest_m,
      colorscale: [[0, "#eef2f6"], [0.5, "#6a9fd0"], [1, "#08306b"]], colorbar: {title: {text: "depth below the<br>phantom sphere (µm)"}},
    };
  }

  function ofRun([kind, place]) {
    const run = surfaces.runs[place], points = unpacked(run.points), quads = unpacked(run.quads), values = unpacked(run[kind]);
    const {low, high} = run[kind], i = [], j = [], k = [], intensity = [];
    for (let q = 0; q < values.length; q++) {
      const [a, b, c, d] = quads.subarray(4 * q, 4 * q + 4), of = low + (high - low) * values[q] / 255;
      i.push(a, a); j.push(b, c); k.push(c, d); intensity.push(of, of);
    }
    const along = (c) => Array.from({length: points.length / 3}, (_, n) => points[3 * n + c] / 32767);
    return {x: along(0), y: along(1), z: along(2), i, j, k, intensity, intensitymode: "cell", cmin: low, cmax: high,
      colorscale: kind === "pressure" ? "RdBu" : "Viridis", colorbar: {title: {text: kind === "pressure" ? "Cp" : "|Cf|"}}};
  }

  function made() {
    const of = shade.value === "below" ? ofVariant() : ofRun(shade.value.split("-"));
    Object.assign(of.colorbar, {thickness: 12, len: 0.7, tickfont: {size: 11, color: colour("soft")}, title: {...of.colorbar.title, font: {size: 11}}});
    if (Page.narrow()) Object.assign(of.colorbar, {orientation: "h", len: 0.9, y: 0, yanchor: "top"});
    const hidden = {visible: false, range: [-1.02, 1.02]};
    return {
      traces: [{
        type: "mesh3d", hoverinfo: "skip", flatshading: false, ...of, lightposition: {x: -90000, y: 100000, z: -30000},
        lighting: {ambient: 0.6, diffuse: 0.5, specular: 0.08, roughness: 0.5, fresnel: 0.1, facenormalsepsilon: 1e-12, vertexnormalsepsilon: 1e-12},
      }],
      layout: Page.layout({height: 440, margin: {l: 0, r: 0, t: 0, b: Page.narrow() ? 60 : 0}, showlegend: false,
        scene: {camera, xaxis: hidden, yaxis: hidden, zaxis: hidden, aspectmode: "manual", aspectratio: {x: 1.9, y: 1.9, z: 1.9}, dragmode: "orbit"}}),
    };
  }

  function show() {
    const variant = own()[depth.value], below = shade.value === "below";
    const text = !below ? surfaces.runs[shade.value.split("-")[1]].name
      : (variant.depth_m === null ? variant.key : millimetres(variant.depth_m)) + (variant.key[0] === "e" ? ` (${variant.key})` : "");
    value.textContent = text;
    depth.setAttribute("aria-valuetext", text);
    depth.disabled = !below;
    Page.draw("chart-ball", made);
  }

  /* Arrow keys turn the ball as the mouse does. */
  const at = document.getElementById("chart-ball");
  at.addEventListener("keydown", (event) => {
    const turn = {ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, 1], ArrowDown: [0, -1]}[event.key];
    if (!turn) return;
    event.preventDefault();
    const {x, y, z} = camera.eye, size = Math.hypot(x, y, z), azimuth = Math.atan2(y, x) + 0.15 * turn[0];
    const elevation = Math.min(1.5, Math.max(-1.5, Math.asin(z / size) + 0.15 * turn[1]));
    camera = {...camera, eye: {x: size * Math.cos(elevation) * Math.cos(azimuth), y: size * Math.cos(elevation) * Math.sin(azimuth), z: size * Math.sin(elevation)}};
    if (at.layout) Plotly.relayout(at, {"scene.camera": camera});
  });

  depth.oninput = () => {
    show();
    const variant = own()[depth.value];
    if (variant.depth_m !== null) Page.mark(variant.depth_m);
  };
  depths();
  show();
  at.addEventListener("drawn", () => at.on("plotly_relayout", (event) => { if (event["scene.camera"]) camera = event["scene.camera"]; }));
})();
