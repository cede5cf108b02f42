// The map: where the frames stood and which see each other; inside a sphere, the way to the others.
"use strict";

(function (panopipe) {
  const make = panopipe.make;
  const SVG = "http://www.w3.org/2000/svg";
  const RAD = Math.PI / 180;
  const MARGIN_M = 1.1, LEAST_WIDE_M = 4;
  const UNSURE = 0.5;

  // The same as `make`, for drawings.
  function draw(name, attributes, ...inside) {
    const one = document.createElementNS(SVG, name);
    for (const [key, value] of Object.entries(attributes || {})) {
      if (value !== null && value !== undefined && value !== false) one.setAttribute(key, value);
    }
    one.append(...inside.filter((part) => part !== null && part !== undefined && part !== ""));
    return one;
  }

  const placed = (frame) => frame.stand && frame.stand.part >= 0;
  const wantsLook = (frame) => frame.state === "look" || frame.state === "failed";
  const metres = (number) => (number ? `${number.toFixed(1)} m` : "distance unknown");
  const wrapped = (angle) => ((angle + 180) % 360 + 360) % 360 - 180;

  function letter(frame) {
    if (frame.state === "failed") return "✕";
    if (frame.state === "look") return "◆";
    if (frame.state === "waiting") return "○";
    return frame.stand.doubt ? "?" : "";
  }

  function inWords(frame) {
    const seen = frame.stand.sights.length;
    const state = { look: "wants a look", failed: "failed", waiting: "not run yet", fine: "fine" }[frame.state];
    return [panopipe.nameOf(frame), state, `sees ${seen} ${seen === 1 ? "frame" : "frames"}`, frame.stand.doubt].filter(Boolean).join(", ");
  }

  // A frame's mark: a dot with a wedge to where the middle of its picture looks.
  function mark(frame, at, size, open) {
    const turn = frame.stand.heading_deg;
    const group = draw("g", { class: `stand ${frame.state}${frame.stand.doubt ? " unsure" : ""}`, transform: `translate(${at[0]} ${at[1]})`, tabindex: "0",
      role: "button", "data-frame": frame.id, "aria-label": `Open ${inWords(frame)}` },
      draw("title", {}, inWords(frame)),
      draw("circle", { class: "reach", r: 1.9 * size }),
      draw("path", { class: "facing", d: `M 0 ${-1.75 * size} L ${0.6 * size} ${-0.85 * size} L ${-0.6 * size} ${-0.85 * size} Z`, transform: `rotate(${turn})` }),
      draw("circle", { class: "dot", r: size }),
      draw("text", { class: "letter", "font-size": 1.35 * size, "text-anchor": "middle", dy: "0.36em" }, letter(frame)));
    const go = () => open(frame, group);
    group.addEventListener("click", go);
    group.addEventListener("keydown", (event) => {
      if (event.key !== "Enter" && event.key !== " ") return;
      event.preventDefault();
      go();
    });
    return group;
  }

  function lines(frames, byId, at) {
    const drawn = new Set(), found = [];
    for (const frame of frames) {
      for (const sight of frame.stand.sights) {
        const other = byId.get(sight.to), name = [frame.id, sight.to].sort().join(" ");
        if (!other || !placed(other) || other.stand.part !== frame.stand.part || drawn.has(name)) continue;
        drawn.add(name);
        const [x1, y1] = at(frame), [x2, y2] = at(other);
        const sure = sight.by_hand ? "by-hand" : sight.certainty < UNSURE ? "weak" : "sure";
        found.push(draw("line", { class: `sight ${sure}`, x1, y1, x2, y2 },
          draw("title", {}, `${panopipe.nameOf(frame)} to ${panopipe.nameOf(other)}: ${metres(sight.distance_m)}, ${sight.by_hand ? "set by hand" : `${Math.round(100 * sight.certainty)} % sure`}`)));
      }
    }
    return found;
  }

  function roomNames(frames, at, size) {
    const rooms = new Map();
    for (const frame of frames) {
      const name = frame.room || frame.stand.room;
      rooms.set(name, [...(rooms.get(name) || []), at(frame)]);
    }
    return [...rooms].filter(([name]) => name).map(([name, places]) => {
      const x = places.reduce((sum, place) => sum + place[0], 0) / places.length;
      const y = Math.max(...places.map((place) => place[1])) + 3.1 * size;
      return draw("text", { class: "room-name", x, y, "text-anchor": "middle", "font-size": 1.5 * size }, name);
    });
  }

  // One connected part of the shoot. Up the page is north where that is known, else along the walls.
  function plan(frames, byId, open, number, many) {
    const xs = frames.map((one) => one.stand.x_m), ys = frames.map((one) => -one.stand.y_m);
    const middle = (Math.min(...xs) + Math.max(...xs)) / 2, top = Math.min(...ys) - MARGIN_M;
    const width = Math.max(Math.max(...xs) - Math.min(...xs) + 2 * MARGIN_M, LEAST_WIDE_M), left = middle - width / 2;
    const height = Math.max(...ys) + MARGIN_M - top + 0.6;
    const size = Math.max(0.16, Math.min(0.3, Math.max(width, height) / 45));
    const at = (frame) => [frame.stand.x_m, -frame.stand.y_m];
    const isNorth = frames.some((one) => one.stand.true_north);
    const label = many > 1 ? `Part ${number + 1} of the plan, ${frames.length} frames` : `Plan of the shoot, ${frames.length} frames`;
    const rule = [left + 0.3, top + height - 0.25];
    const svg = draw("svg", { class: "plan", viewBox: `${left} ${top} ${width} ${height}`, role: "group", "aria-label": label },
      ...lines(frames, byId, at),
      draw("path", { class: "rule", d: `M ${rule[0]} ${rule[1] - 0.12} v 0.12 h 1 v -0.12` }),
      draw("text", { class: "rule-text", x: rule[0] + 1.15, y: rule[1], "font-size": 1.3 * size }, isNorth ? "1 m, north is up" : "1 m"),
      ...roomNames(frames, at, size),
      ...frames.map((frame) => mark(frame, at(frame), size, open)));
    const figure = make("figure", { class: "part" }, svg, many > 1 ? make("figcaption", {}, `Part ${number + 1}`) : "");
    figure.style.setProperty("--wide", width);
    return figure;
  }

  panopipe.map = function (review, box) {
    const byId = new Map(review.frames.map((one) => [one.id, one]));
    const known = review.frames.filter((one) => one.stand);
    if (!known.length) return false;
    const walk = known;
    const open = (frame, from) => panopipe.openFrame(frame, walk, from);
    const parts = new Map();
    for (const frame of known.filter(placed)) parts.set(frame.stand.part, [...(parts.get(frame.stand.part) || []), frame]);
    const drawn = [...parts.keys()].sort((a, b) => a - b).map((key, number) => plan(parts.get(key), byId, open, number, parts.size));
    if (drawn.length) {
      box.append(make("p", { class: "hint" }, "A dot is where a frame was taken, its wedge where the middle of the picture looks; a line joins frames that see each other, dashed where it is weakly proven. Open one by click or Enter, and walk on from inside."),
        drawn.length > 1 ? make("p", { class: "hint" }, `Nothing certain joins the ${drawn.length} parts: how they lie to each other is unknown.`) : "",
        make("div", { class: "parts" }, ...drawn));
    }
    const lost = known.filter((frame) => !placed(frame));
    if (lost.length) {
      box.append(make("p", { class: "unplaced-title" }, lost.length === 1 ? "One frame could not be placed:" : `${lost.length} frames could not be placed:`),
        make("ul", { class: "unplaced" }, ...lost.map((frame) => {
          const button = make("button", { type: "button", "data-frame": frame.id }, panopipe.nameOf(frame));
          button.addEventListener("click", () => open(frame, button));
          return make("li", {}, button);
        })));
    }
    return true;
  };

  // Where the middle of a picture is to look after a walk, so that one goes on the same way.
  function arrival(from, sight, to) {
    if (placed(from) && placed(to) && from.stand.part === to.stand.part) return wrapped(from.stand.heading_deg + sight.yaw_deg - to.stand.heading_deg);
    const back = to.stand.sights.find((one) => one.to === from.id);
    return back ? wrapped(back.yaw_deg + 180) : 0;
  }

  function walker(frame, sight, walk, text, className) {
    const to = panopipe.review.frames.find((one) => one.id === sight.to);
    if (!to) return null;
    const sure = sight.by_hand ? "set by hand" : `${Math.round(100 * sight.certainty)} % sure`;
    const button = make("button", { type: "button", class: className, "data-to": to.id, "aria-label": `Walk to ${panopipe.nameOf(to)}, ${metres(sight.distance_m)}, ${sure}` }, ...text(to));
    button.classList.toggle("weak", !sight.by_hand && sight.certainty < UNSURE);
    button.addEventListener("click", () => panopipe.openFrame(to, walk, null, { yaw: arrival(frame, sight, to), pitch: 0, field: 75 }));
    return button;
  }

  // Marks inside the sphere, one for each frame that is seen, at the height of its camera.
  panopipe.waypoints = function (frame, walk) {
    const box = make("div", { class: "waypoints" });
    const marks = [];
    for (const sight of frame.stand ? frame.stand.sights : []) {
      const button = walker(frame, sight, walk, (to) => [make("span", { class: "pin", "aria-hidden": "true" }), make("span", { class: "to" }, to.name, sight.distance_m ? ` ${sight.distance_m.toFixed(1)} m` : "")], "waypoint");
      if (!button) continue;
      marks.push([button, sight.yaw_deg]);
      box.append(button);
    }
    const move = (view, canvas) => {
      const wide = canvas.clientWidth, high = Math.max(1, canvas.clientHeight);
      const half = Math.tan(view.field * RAD / 2), pitch = view.pitch * RAD;
      for (const [button, yaw] of marks) {
        const off = (yaw - view.yaw) * RAD;
        const right = Math.sin(off), ahead = Math.cos(off) * Math.cos(pitch), up = -Math.cos(off) * Math.sin(pitch);
        const x = 0.5 + right / ahead / half / (wide / high) / 2, y = 0.5 - up / ahead / half / 2;
        button.hidden = ahead <= 0.02 || x < 0.02 || x > 0.98 || y < 0.02 || y > 0.98;
        button.style.left = `${100 * x}%`;
        button.style.top = `${100 * y}%`;
      }
    };
    return { box, move };
  };

  // The same as a list, with how to correct a link.
  panopipe.seenFrom = function (frame, walk) {
    if (!frame.stand) return "";
    const box = make("div", {}, make("h3", {}, "Seen from here"));
    if (frame.stand.doubt) box.append(make("p", { class: "hint" }, frame.stand.doubt));
    const items = frame.stand.sights.map((sight) => [sight, walker(frame, sight, walk, (to) => [panopipe.nameOf(to)], "walk")]).filter(([, button]) => button);
    if (items.length) {
      box.append(make("ul", { class: "walks" }, ...items.map(([sight, button]) => make("li", {}, button,
        make("span", { class: "measured" }, ` yaw ${sight.yaw_deg.toFixed(0)}°, ${metres(sight.distance_m)}, ${sight.by_hand ? "set by hand" : `${Math.round(100 * sight.certainty)} % sure`}`)))));
    }
    const other = items.length ? panopipe.nameOf(panopipe.review.frames.find((one) => one.id === items[0][0].to)) : "ROOM/FRAME";
    const text = `[[links]]\nframes = [${JSON.stringify(panopipe.nameOf(frame))}, ${JSON.stringify(other)}]\nsees = false`;
    box.append(make("details", {}, make("summary", {}, "A link is wrong or missing?"),
      make("p", { class: "hint" }, "Say so in job.toml, and run the job. For a link that is missing put yaw_deg, back_yaw_deg and distance_m in place of sees: where the first frame's file sees the second, and the other way round."),
      make("pre", { tabindex: "0" }, text)));
    return box;
  };
})(window.panopipe);
