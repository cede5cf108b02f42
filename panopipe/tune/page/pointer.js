// What the pointer does in the picture: pick a neutral spot, drag the covered circle, turn the horizon, look closer.
"use strict";

(function (panopipe) {
  const RAD = Math.PI / 180;

  const direction = (yaw, pitch) => [
    Math.cos(pitch * RAD) * Math.sin(yaw * RAD), Math.sin(pitch * RAD), Math.cos(pitch * RAD) * Math.cos(yaw * RAD)];
  const yawPitch = ([x, y, z]) => [Math.atan2(x, z) / RAD, Math.atan2(y, Math.hypot(x, z)) / RAD];
  const dot = (a, b) => a[0] * b[0] + a[1] * b[1] + a[2] * b[2];
  const cross = (a, b) => [a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]];
  const unit = (a) => a.map((part) => part / Math.hypot(...a));

  // A vector turned about a unit axis (Rodrigues).
  function turned(vector, axis, angle) {
    const c = Math.cos(angle), s = Math.sin(angle), side = cross(axis, vector), along = dot(axis, vector) * (1 - c);
    return vector.map((part, k) => part * c + side[k] * s + axis[k] * along);
  }

  // From a direction in the levelled picture to that in the frame as it was taken: the shortest turn that takes
  // the zenith to the place `tilt` degrees from it, toward a yaw.
  panopipe.asTaken = (vector, tilt, toward) =>
    turned(vector, [Math.cos(toward * RAD), 0, -Math.sin(toward * RAD)], tilt * RAD);

  // The view's right, up and forward.
  function axes(view) {
    const y = view.yaw * RAD, p = view.pitch * RAD;
    return [[Math.cos(y), 0, -Math.sin(y)], [-Math.sin(y) * Math.sin(p), Math.cos(p), -Math.cos(y) * Math.sin(p)], direction(view.yaw, view.pitch)];
  }

  panopipe.PointerTools = class {
    constructor(sphere, canvas, marks, parts) {
      Object.assign(this, { sphere, canvas, marks, mode: "", ...parts });
      this.listen();
    }

    // Half the height of the view at unit distance.
    get half() { return Math.tan(this.sphere.view.field * RAD / 2); }

    at(x, y) { return this.sphere.rayAt(x, y); }

    // Place on the page's canvas; null behind the viewer.
    placeOf(vector) {
      const [right, up, ahead] = axes(this.sphere.view), depth = dot(vector, ahead);
      if (depth < 0.05) return null;
      const { clientWidth: w, clientHeight: h } = this.canvas;
      return [w / 2 + dot(vector, right) / depth / this.half * h / 2, h / 2 - dot(vector, up) / depth / this.half * h / 2];
    }

    set(mode) {
      this.mode = this.mode === mode ? "" : mode;
      this.lean = [0, 0];
      this.canvas.closest(".stage").classList.toggle("picking", this.mode === "neutral");
      for (const handle of this.handles) handle.hidden = true;
      if (this.mode === "foot") this.sphere.look({ pitch: -90, field: 75 });
      if (this.mode === "horizon") this.sphere.look({ pitch: 0, field: 75 });
      this.draw();
      return this.mode;
    }

    listen() {
      let down = null;
      this.canvas.addEventListener("pointerdown", (event) => {
        down = { x: event.clientX, y: event.clientY };
        if (this.mode === "foot" && this.nearFoot(event)) this.dragging = true;
      }, true);
      this.canvas.addEventListener("pointermove", (event) => {
        if (this.dragging) {
          event.stopImmediatePropagation();
          this.footTo(event, true);
        } else if (!down) this.hover(event.clientX, event.clientY);
      }, true);
      this.canvas.addEventListener("pointerup", (event) => {
        const still = down && Math.hypot(event.clientX - down.x, event.clientY - down.y) < 4;
        if (this.dragging) this.footTo(event, false);
        else if (still && this.mode === "neutral") this.pick(this.at(event.clientX, event.clientY));
        else if (still) this.hover(event.clientX, event.clientY);
        down = null;
        this.dragging = false;
      });
      this.canvas.addEventListener("pointercancel", () => { down = null; this.dragging = false; });
      this.canvas.addEventListener("pointerleave", () => { if (!down) this.leave(); });
      for (const [place, handle] of this.handles.entries()) this.listenTo(handle, place);
    }

    // --- a neutral spot
    pick(vector) {
      const { tilt, toward } = this.level();
      const [yaw, pitch] = yawPitch(panopipe.asTaken(vector, tilt, toward));
      this.changed({ "balance.neutral_yaw_deg": round(this.inOriginal(yaw), 1), "balance.neutral_pitch_deg": round(pitch, 1) });
    }

    // --- the covered circle
    nearFoot(event) {
      const angle = 90 + yawPitch(this.at(event.clientX, event.clientY))[1];
      return angle < this.foot().angle + 6;
    }

    footTo(event, live) {
      const angle = 90 + yawPitch(this.at(event.clientX, event.clientY))[1], { margin, height } = this.foot();
      const radius = Math.tan(Math.max(0.5, Math.min(60, angle - margin)) * RAD) * height;
      this.changed({ "nadir.foot_radius_m": Math.max(0.01, Math.min(1.5, round(radius, 3))) }, live);
      this.draw();
    }

    // --- the horizon
    listenTo(handle, place) {
      const sign = place ? 1 : -1;
      handle.addEventListener("pointerdown", (event) => { handle.setPointerCapture(event.pointerId); event.preventDefault(); handle.focus(); });
      handle.addEventListener("pointermove", (event) => {
        if (!handle.hasPointerCapture(event.pointerId)) return;
        this.leanTo(place, yawPitch(this.at(event.clientX, event.clientY))[1]);
      });
      handle.addEventListener("pointerup", () => this.settle());
      handle.addEventListener("keydown", (event) => {
        const step = { ArrowUp: 0.1, ArrowDown: -0.1, PageUp: 1, PageDown: -1 }[event.key];
        if (step === undefined) return;
        event.preventDefault();
        event.stopPropagation();
        this.turnBy(sign * step, 0);
      });
    }

    // The line's height over the middle at its left (0) and right (1) handle, in degrees of pitch.
    leanTo(place, height) {
      this.lean[place] = Math.max(-30, Math.min(30, height));
      this.draw();
    }

    // The line as it lies becomes level.
    settle() {
      const [left, right] = this.handleVectors();
      this.levelBy(unit(cross(left, right)));
    }

    turnBy(roll, pitch) {
      const [right, , ahead] = axes({ ...this.sphere.view, pitch: 0 });
      const up = turned(turned([0, 1, 0], ahead, roll * RAD), right, pitch * RAD);
      this.levelBy(up);
    }

    // `up` is where the true zenith lies in the picture as it is shown.
    levelBy(up) {
      const { tilt, toward } = this.level(), [x, y, z] = panopipe.asTaken(up[1] < 0 ? up.map((part) => -part) : up, tilt, toward);
      const found = Math.atan2(Math.hypot(x, z), y) / RAD;
      this.lean = [0, 0];
      this.changed({ "level.tilt_deg": Math.min(15, round(found, 2)), "level.toward_yaw_deg": round(this.inOriginal(Math.atan2(x, z) / RAD), 1) });
      this.draw();
    }

    handleVectors() {
      const reach = Math.min(30, this.sphere.view.field * 0.4), { yaw } = this.sphere.view;
      return [direction(yaw - reach, this.lean[0]), direction(yaw + reach, this.lean[1])];
    }

    // --- what is drawn over the picture
    draw() {
      const scale = window.devicePixelRatio || 1, { clientWidth: w, clientHeight: h } = this.canvas;
      this.marks.width = Math.round(w * scale);
      this.marks.height = Math.round(h * scale);
      const pen = this.marks.getContext("2d");
      pen.scale(scale, scale);
      if (this.mode === "foot") this.drawFoot(pen);
      if (this.mode === "horizon") this.drawHorizon(pen);
      if (this.mode === "neutral") this.drawSpot(pen);
    }

    drawFoot(pen) {
      const { angle } = this.foot(), ring = [];
      for (let yaw = 0; yaw <= 360; yaw += 4) ring.push(this.placeOf(direction(yaw, angle - 90)));
      stroke(pen, ring);
    }

    drawHorizon(pen) {
      const [left, right] = this.handleVectors(), up = unit(cross(left, right)), line = [];
      const ahead = unit(cross(cross(up, direction(this.sphere.view.yaw, 0)), up));
      for (let turn = -80; turn <= 80; turn += 4) line.push(this.placeOf(turned(ahead, up, turn * RAD)));
      stroke(pen, line);
      for (const [place, vector] of [left, right].entries()) {
        const at = this.placeOf(vector), handle = this.handles[place];
        handle.hidden = !at;
        if (at) Object.assign(handle.style, { left: `${at[0]}px`, top: `${at[1]}px` });
        handle.setAttribute("aria-valuenow", this.lean[place].toFixed(1));
      }
    }

    drawSpot(pen) {
      const spot = this.spot();
      if (!spot) return;
      const { tilt, toward } = this.level(), middle = panopipe.asTaken(direction(...spot.at), -tilt, toward), ring = [];
      const side = unit(cross(middle, Math.abs(middle[1]) > 0.9 ? [1, 0, 0] : [0, 1, 0]));
      const edge = turned(middle, side, spot.size * RAD / 2);
      for (let turn = 0; turn <= 360; turn += 12) ring.push(this.placeOf(turned(edge, middle, turn * RAD)));
      stroke(pen, ring);
    }
  };

  // A light line on a dark one: seen on any picture.
  function stroke(pen, points) {
    pen.beginPath();
    let drawing = false;
    for (const at of points) {
      if (at) drawing ? pen.lineTo(...at) : pen.moveTo(...at);
      drawing = Boolean(at);
    }
    for (const [style, width] of [["rgb(0 0 0 / 70%)", 5], ["#fff", 2]]) {
      pen.strokeStyle = style;
      pen.lineWidth = width;
      pen.stroke();
    }
  }

  const round = (value, digits) => Number(value.toFixed(digits));
  Object.assign(panopipe, { direction, yawPitch });
})(window.panopipe);
