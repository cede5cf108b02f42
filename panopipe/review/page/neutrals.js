// The neutrals plot: where each frame's white lies before and after, among the whites of real lights.
"use strict";

(function (panopipe) {
  const WIDTH = 720, HEIGHT = 420, EDGE = { left: 58, right: 18, top: 16, bottom: 46 };
  const SVG = "http://www.w3.org/2000/svg";

  function draw(name, attributes, text) {
    const one = document.createElementNS(SVG, name);
    for (const [key, value] of Object.entries(attributes)) one.setAttribute(key, value);
    if (text !== undefined) one.textContent = text;
    return one;
  }

  // A window on the chromaticity plane that holds the points and some of the loci, equal scales both ways.
  function frameOf(points) {
    const u = points.map((p) => p[0]), v = points.map((p) => p[1]);
    let left = Math.min(...u), right = Math.max(...u), low = Math.min(...v), high = Math.max(...v);
    const pad = Math.max(0.006, 0.12 * Math.max(right - left, high - low));
    [left, right, low, high] = [left - pad, right + pad, low - pad, high + pad];
    const wide = WIDTH - EDGE.left - EDGE.right, tall = HEIGHT - EDGE.top - EDGE.bottom;
    const scale = Math.min(wide / (right - left), tall / (high - low));
    const middle = [(left + right) / 2, (low + high) / 2];
    return {
      x: (value) => EDGE.left + wide / 2 + (value - middle[0]) * scale,
      y: (value) => EDGE.top + tall / 2 - (value - middle[1]) * scale,
      u: [middle[0] - wide / 2 / scale, middle[0] + wide / 2 / scale],
      v: [middle[1] - tall / 2 / scale, middle[1] + tall / 2 / scale],
    };
  }

  function ticks(from, to) {
    const step = [0.002, 0.005, 0.01, 0.02, 0.05].find((one) => (to - from) / one <= 8) || 0.1;
    const found = [];
    for (let at = Math.ceil(from / step) * step; at <= to + 1e-9; at += step) found.push(at);
    return found;
  }

  function axes(svg, at) {
    const bottom = HEIGHT - EDGE.bottom, right = WIDTH - EDGE.right;
    for (const u of ticks(...at.u)) {
      svg.append(draw("line", { class: "grid", x1: at.x(u), x2: at.x(u), y1: EDGE.top, y2: bottom }));
      svg.append(draw("text", { class: "tick", x: at.x(u), y: bottom + 18, "text-anchor": "middle" }, u.toFixed(3)));
    }
    for (const v of ticks(...at.v)) {
      svg.append(draw("line", { class: "grid", x1: EDGE.left, x2: right, y1: at.y(v), y2: at.y(v) }));
      svg.append(draw("text", { class: "tick", x: EDGE.left - 8, y: at.y(v) + 4, "text-anchor": "end" }, v.toFixed(3)));
    }
    svg.append(draw("text", { class: "tick", x: right, y: HEIGHT - 6, "text-anchor": "end" }, "u′ (CIE 1976)"));
    svg.append(draw("text", { class: "tick", x: 4, y: 13 }, "v′"));
  }

  function locus(svg, at, points, name, below) {
    const path = points.map((p) => `${at.x(p[1]).toFixed(1)},${at.y(p[2]).toFixed(1)}`).join(" ");
    svg.append(draw("polyline", { class: `locus ${name}`, points: path }));
    for (const [kelvin, u, v] of points) {
      svg.append(draw("circle", { class: "mark", cx: at.x(u), cy: at.y(v), r: 2 }));
      const place = below ? { x: at.x(u) + 5, y: at.y(v) + 15 } : { x: at.x(u) - 5, y: at.y(v) - 7, "text-anchor": "end" };
      svg.append(draw("text", { class: "kelvin", ...place }, `${kelvin} K`));
    }
  }

  panopipe.neutralsPlot = function (data, names) {
    const points = data.frames.flatMap((one) => [one.before, one.after].filter(Boolean));
    const at = frameOf(points);
    const svg = draw("svg", { viewBox: `0 0 ${WIDTH} ${HEIGHT}`, role: "img", class: "plot" });
    svg.setAttribute("aria-labelledby", "neutrals-said");
    svg.append(draw("title", { id: "neutrals-said" },
      `White of ${data.frames.length} frames before and after balance, on the CIE 1976 diagram; the table below has the numbers`));
    const clip = draw("clipPath", { id: "plot-area" });
    clip.append(draw("rect", { x: EDGE.left, y: EDGE.top, width: WIDTH - EDGE.left - EDGE.right, height: HEIGHT - EDGE.top - EDGE.bottom }));
    const inside = draw("g", { "clip-path": "url(#plot-area)" });
    axes(svg, at);
    svg.append(clip, inside);
    locus(inside, at, data.planckian, "planckian", true);
    locus(inside, at, data.daylight, "daylight", false);
    for (const one of data.frames) {
      const [x, y] = [at.x(one.before[0]), at.y(one.before[1])];
      const group = draw("g", { class: "white" });
      group.append(draw("title", {}, names.get(one.id)));
      if (one.after) {
        const [x2, y2] = [at.x(one.after[0]), at.y(one.after[1])];
        group.append(draw("line", { class: "way", x1: x, y1: y, x2, y2 }));
        group.append(draw("circle", { class: "after", cx: x2, cy: y2, r: 5 }));
      }
      group.append(draw("rect", { class: "before", x: x - 4, y: y - 4, width: 8, height: 8 }));
      inside.append(group);
    }
    return svg;
  };
})(window.panopipe);
