"use strict";
/* Flies balls in the page: the equations, constants and tables of pipeline/flight, one ball at a time.
 *
 * SI throughout; angles in radians. Axes as there: x down range, s to the golfer's right, z up. What the two
 * must agree on is checked number by number in tests/browser/test_flight.py.
 */
const Flight = (() => {
  const R_DRY = 8314.32 / 28.9644, MOLAR_DRY = 28.96546e-3, MOLAR_WATER = 18.01528e-3;
  const clamp = (value, low, high) => Math.min(Math.max(value, low), high);

  /* Air: pipeline/flight/air.py (US Standard Atmosphere 1976, CIPM-2007, Sutherland, IAPWS R12-08, Wilke). */
  function standardAtmosphere(altitude) {
    const geopotential = 6356766.0 * altitude / (6356766.0 + altitude);
    const temperature = 288.15 - 0.0065 * geopotential;
    return {temperature, pressure: 101325.0 * (temperature / 288.15) ** (9.80665 / (R_DRY * 0.0065))};
  }

  /* Geometric altitude at which the standard atmosphere has a pressure. */
  function altitudeOf(pressure) {
    const geopotential = 288.15 * (1.0 - (pressure / 101325.0) ** (R_DRY * 0.0065 / 9.80665)) / 0.0065;
    return 6356766.0 * geopotential / (6356766.0 - geopotential);
  }

  function vapourFraction(temperature, pressure, humidity) {
    const saturation = Math.exp(1.2378847e-5 * temperature ** 2 - 1.9121316e-2 * temperature + 33.93711047
      - 6.3431645e3 / temperature);
    const t = clamp(temperature, 288.15, 300.15) - 273.15, p = clamp(pressure, 60000.0, 110000.0);
    return humidity * (1.00062 + 3.14e-8 * p + 5.6e-7 * t ** 2) * saturation / pressure;
  }

  function density(temperature, pressure, humidity) {
    const tk = clamp(temperature, 288.15, 300.15), p = clamp(pressure, 60000.0, 110000.0), t = tk - 273.15;
    const x = vapourFraction(temperature, pressure, humidity);
    const virial = 1.58123e-6 - 2.9331e-8 * t + 1.1043e-10 * t ** 2 + (5.707e-6 - 2.051e-8 * t) * x
      + (1.9898e-4 - 2.376e-6 * t) * x ** 2;
    const z = 1.0 - p / tk * virial + (p / tk) ** 2 * (1.83e-11 - 0.765e-8 * x ** 2);
    return pressure * MOLAR_DRY / (z * 8.314472 * temperature) * (1.0 - x * (1.0 - MOLAR_WATER / MOLAR_DRY));
  }

  function viscosity(temperature, fraction) {
    const reduced = temperature / 647.096;
    let sum = 0.0;
    [1.67752, 2.20462, 0.6366564, -0.241605].forEach((h, i) => { sum += h / reduced ** i; });
    const parts = [
      [1.0 - fraction, 1.458e-6 * temperature ** 1.5 / (temperature + 110.4), MOLAR_DRY],
      [fraction, 1e-4 * Math.sqrt(reduced) / sum, MOLAR_WATER],
    ];
    let total = 0.0;
    for (const [share, mu, mass] of parts) {
      let seen = 0.0;
      for (const [otherShare, otherMu, otherMass] of parts) {
        seen += otherShare * (1.0 + Math.sqrt(mu / otherMu) * (otherMass / mass) ** 0.25) ** 2
          / Math.sqrt(8.0 * (1.0 + mass / otherMass));
      }
      total += share * mu / seen;
    }
    return total;
  }

  /* Density and kinematic viscosity; the temperature of the standard atmosphere at an altitude when null. */
  function air({temperature, pressure, altitude, humidity}) {
    if (altitude !== null) {
      const standard = standardAtmosphere(altitude);
      pressure = standard.pressure;
      if (temperature === null) temperature = standard.temperature;
    }
    const rho = density(temperature, pressure, humidity);
    return {density: rho, viscosity: viscosity(temperature, vapourFraction(temperature, pressure, humidity)) / rho};
  }

  /* Constants of a flight: ball, air, wind {speed, from, profile, height, roughness, exponent}. */
  function world(ball, state, wind, constants) {
    const radius = 0.5 * ball.diameter_m;
    let share = () => 1.0;
    if (wind.speed && wind.profile === "logarithmic") {
      const scale = 1.0 / Math.log1p(wind.height_m / wind.roughness_m);
      share = (z) => scale * Math.log1p(Math.max(z, 0.0) / wind.roughness_m);
    } else if (wind.speed && wind.profile === "power") {
      share = (z) => (Math.max(z, 0.0) / wind.height_m) ** wind.exponent;
    }
    return {
      radius, share,
      drag: state.density * Math.PI * radius ** 2 / (2.0 * ball.mass_kg),
      logReynolds: Math.log(ball.diameter_m / state.viscosity),
      windX: -wind.speed * Math.cos(wind.from), windS: -wind.speed * Math.sin(wind.from),
      gravity: constants.gravity_m_s2, spinDecay: constants.spin_decay,
    };
  }

  function cell(nodes, at) {
    let low = 0, high = nodes.length - 2;
    while (low < high) {
      const middle = (low + high + 1) >> 1;
      if (nodes[middle] <= at) low = middle; else high = middle - 1;
    }
    return low;
  }

  /* Cd, Cl, Cm of a table {logReynolds, spin, values, hasCm}, bilinear in ln Re and S, at the edge outside. */
  function coefficients(table, logReynolds, spin) {
    const i = cell(table.logReynolds, logReynolds), j = cell(table.spin, spin), row = 3 * table.spin.length;
    const a = clamp((logReynolds - table.logReynolds[i]) / (table.logReynolds[i + 1] - table.logReynolds[i]), 0, 1);
    const b = clamp((spin - table.spin[j]) / (table.spin[j + 1] - table.spin[j]), 0, 1);
    const v = table.values, found = [0, 0, 0];
    for (let c = 0; c < 3; c++) {
      const at = i * row + 3 * j + c;
      const low = v[at] + b * (v[at + 3] - v[at]), high = v[at + row] + b * (v[at + row + 3] - v[at + row]);
      found[c] = low + a * (high - low);
    }
    return found;
  }

  /* Rates of vx, vs, vz, omega; the fifth is how far outside the table the ball is. */
  function rates(motion, z, axis, table, w) {
    const share = w.share(z), ux = motion[0] - share * w.windX, us = motion[1] - share * w.windS, uz = motion[2];
    const squared = ux * ux + us * us + uz * uz + 1e-18, speed = Math.sqrt(squared);
    const logReynolds = w.logReynolds + 0.5 * Math.log(squared), spin = motion[3] * w.radius / speed;
    const [cd, cl, cm] = coefficients(table, logReynolds, spin), q = w.drag * speed;
    return [
      q * (cl * (axis[2] * us - axis[1] * uz) - cd * ux),
      q * (cl * (axis[0] * uz - axis[2] * ux) - cd * us),
      q * (cl * (axis[1] * ux - axis[0] * us) - cd * uz) - w.gravity,
      table.hasCm ? w.drag * squared * 5.0 / w.radius * cm : -w.spinDecay * motion[3] * speed / w.radius,
      Math.max(table.lowest[0] - logReynolds, logReynolds - table.highest[0],
        table.lowest[1] - spin, spin - table.highest[1]),
    ];
  }

  /* Polynomial of fifth degree over a step, and its value and slope at t from 0 to 1 (pipeline/flight/quintic.py). */
  function quintic(f0, d0, s0, f1, d1, s1, h) {
    const value = f1 - f0 - h * d0 - 0.5 * h * h * s0, slope = h * (d1 - d0) - h * h * s0;
    const bend = h * h * (s1 - s0);
    return [f0, h * d0, 0.5 * h * h * s0, 10 * value - 4 * slope + 0.5 * bend, -15 * value + 7 * slope - bend,
      6 * value - 3 * slope + 0.5 * bend];
  }
  const valueAt = (p, t) => p[0] + t * (p[1] + t * (p[2] + t * (p[3] + t * (p[4] + t * p[5]))));
  const slopeAt = (p, t) => p[1] + t * (2 * p[2] + t * (3 * p[3] + t * (4 * p[4] + t * 5 * p[5])));

  function fallingRoot(p) {
    let low = 0.0, high = 1.0;
    for (let n = 0; n < 60; n++) {
      const t = 0.5 * (low + high);
      if (valueAt(p, t) > 0.0) low = t; else high = t;
    }
    return high;
  }

  function fallingBetween(f0, d0, f1, d1, h, t) {
    const steepest = 3.0 * (f1 - f0), a = Math.max(h * d0, steepest), b = Math.max(h * d1, steepest), u = 1.0 - t;
    return u * u * ((1 + 2 * t) * f0 + t * a) + t * t * ((3 - 2 * t) * f1 - u * b);
  }

  function shareOutside(outside, shares, part) {
    let share = 0.0, last = 0;
    for (const stage of [1, 2, 3, 4, 6]) {
      const start = shares[last], end = shares[stage], before = outside[last], after = outside[stage];
      if (before > 0.0 || after > 0.0) {
        const crossing = start + (end - start) * before / (before - after);
        const first = before > 0.0 ? start : crossing, final = after > 0.0 ? end : crossing;
        share += Math.max(0.0, Math.min(final, part) - Math.min(first, part));
      }
      last = stage;
    }
    return share;
  }

  /* Bounces and roll after the landing (pipeline/flight/ground.py). */
  function run(forward, down, spin, radius, gravity, c) {
    let distance = 0.0;
    const lowest = Math.sqrt(2.0 * gravity * c.lowest_bounce_m), sign = (of, like) => like < 0 ? -Math.abs(of) : Math.abs(of);
    for (let n = 0; n < 50; n++) {
      const speed = Math.hypot(forward, down), incidence = Math.atan2(Math.abs(forward), down);
      let turn = sign(15.4 * Math.PI / 180 * (speed / 18.6) * (incidence / (44.4 * Math.PI / 180)), forward);
      turn = clamp(turn, -incidence, incidence);
      const sine = Math.sin(turn), cosine = Math.cos(turn), into = forward * sine + down * cosine;
      let along = forward * cosine - down * sine;
      const rebound = (into > 20.0 ? 0.120 : 0.510 - 0.0375 * into + 0.000903 * into ** 2) * into;
      const impulse = into + rebound, slip = along + radius * spin;
      if (Math.abs(slip) * 2.0 / 7.0 > c.friction * impulse) {
        along -= sign(c.friction * impulse, slip);
        spin -= sign(2.5 * c.friction * impulse / radius, slip);
      } else {
        along -= 2.0 / 7.0 * slip;
        spin = -along / radius;
      }
      forward = along * cosine - rebound * sine;
      const up = along * sine + rebound * cosine;
      if (up < lowest) break;
      distance += forward * 2.0 * up / gravity;
      down = up;
    }
    const rolling = (5.0 * forward - 2.0 * radius * spin) / 7.0;
    return distance + sign(rolling ** 2 / (2.0 * 5.0 / 7.0 * c.rolling_resistance * gravity), rolling);
  }

  /* Fly one shot {speed, angle, spin, tilt}: its numbers, and its path at equal times. null: not landed in a minute. */
  function fly(table, shot, w, constants, everySeconds = 0.05) {
    const sin = Math.sin(shot.angle), cos = Math.cos(shot.angle);
    let place = [0, 0, 0], motion = [shot.speed * cos, 0, shot.speed * sin, shot.spin];
    const axis = [Math.sin(shot.tilt) * sin, Math.cos(shot.tilt), -Math.sin(shot.tilt) * cos];
    const path = {x: [0], s: [0], z: [0]};
    if (sin <= 0.0) return finish([0, 0], 0, 0, motion, 0);
    const {stages, error} = constants, shares = stages.map((row) => row.reduce((sum, v) => sum + v, 0));
    const placeStages = stages.map((row) => row.map((_, k) => row.reduce((sum, v, m) => sum + v * stages[m][k], 0)));
    let h = constants.first_step_s, time = 0, peak = 0, timeOutside = 0, sampled = everySeconds;
    let first = rates(motion, 0, axis, table, w);
    for (;;) {
      const k = [first], next = [0, 0, 0, 0];
      for (let stage = 1; stage < 7; stage++) {
        let z = 0;
        for (let c = 0; c < 4; c++) {
          let sum = 0;
          for (let e = 0; e < stage; e++) sum += stages[stage][e] * k[e][c];
          next[c] = motion[c] + h * sum;
        }
        next[3] = Math.max(next[3], 0);
        for (let e = 0; e < stage; e++) z += placeStages[stage][e] * k[e][2];
        k.push(rates(next, place[2] + h * (shares[stage] * motion[2] + h * z), axis, table, w));
      }
      const newPlace = place.map((at, c) => {
        let sum = 0;
        for (let e = 0; e < 6; e++) sum += placeStages[6][e] * k[e][c];
        return at + h * (motion[c] + h * sum);
      });
      let wrong = 0;
      for (let c = 0; c < 4; c++) {
        let sum = 0;
        for (let e = 0; e < 7; e++) sum += error[e] * k[e][c];
        wrong += (h * (c === 3 ? w.radius : 1.0) * sum) ** 2;
      }
      const step = h, tolerance = constants.tolerance_m_s ** 2;
      const change = 0.9 * (wrong / tolerance + 1e-12) ** -0.1;
      if (!(wrong <= tolerance) && h > constants.shortest_step_s) {
        h = Math.max(constants.shortest_step_s, h * (change > 0.2 ? change : 0.2));
        continue;
      }
      if (!Number.isFinite(wrong)) return null;
      h = clamp(h * Math.min(change, 4.0), constants.shortest_step_s, constants.longest_step_s);
      const last = k[6], over = [0, 1, 2].map((c) =>
        quintic(place[c], motion[c], first[c], newPlace[c], next[c], last[c], step));
      if (motion[2] > 0 && next[2] <= 0) {
        const p = over[2];
        peak = Math.max(peak, valueAt(p, fallingRoot([p[1], 2 * p[2], 3 * p[3], 4 * p[4], 5 * p[5], 0])));
      }
      const lands = newPlace[2] <= 0 && next[2] < 0, end = lands ? fallingRoot(over[2]) : 1.0;
      for (; sampled < time + end * step; sampled += everySeconds) {
        const t = (sampled - time) / step;
        path.x.push(valueAt(over[0], t)); path.s.push(valueAt(over[1], t)); path.z.push(valueAt(over[2], t));
      }
      timeOutside += step * shareOutside(k.map((rate) => rate[4]), shares, end);
      time += end * step;
      if (lands) {
        const landed = [0, 1].map((c) => valueAt(over[c], end)), velocity = over.map((p) => slopeAt(p, end) / step);
        path.x.push(landed[0]); path.s.push(landed[1]); path.z.push(0);
        velocity.push(fallingBetween(motion[3], first[3], next[3], last[3], step, end));
        return finish(landed, peak, time, velocity, timeOutside / time);
      }
      if (time > constants.longest_flight_s) return null;
      place = newPlace; motion = next.slice(); first = last;
    }

    function finish([x, s], highest, seconds, [vx, vs, vz, omega], outside) {
      const speed = Math.hypot(vx, vs);
      return {
        carry_m: x, side_m: s, peak_height_m: highest, time_s: seconds, extrapolated: outside,
        descent_deg: Math.atan2(-vz, speed) * 180 / Math.PI, final_spin_rpm: omega * 30 / Math.PI,
        total_m: x + run(speed, -vz, omega, w.radius, w.gravity, constants) * (speed > 0 ? vx / speed : 1), path,
      };
    }
  }

  return {air, altitudeOf, coefficients, fly, standardAtmosphere, world};
})();
