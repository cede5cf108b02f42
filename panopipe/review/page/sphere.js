// The sphere view: a finished frame and its before-picture, seen from the inside, with a divide between.
"use strict";
window.panopipe = window.panopipe || {};

(function (panopipe) {
  const VERTEX = `#version 300 es
    in vec2 corner;
    void main() { gl_Position = vec4(corner, 0.0, 1.0); }`;

  // One ray for each pixel of the view; the pictures are read where the ray leaves the sphere. Derivatives
  // are taken by hand: the jump at the seam is removed, so that no line of blur runs down it, and steps in
  // yaw count by the arc that they span, so that no blur gathers at the poles.
  const FRAGMENT = `#version 300 es
    precision highp float;
    uniform sampler2D after, before;
    uniform vec2 size, reach;
    uniform float divide, turned, ends;
    uniform mat3 turn;
    out vec4 colour;
    const float PI = 3.14159265358979;
    void main() {
      vec2 plane = (gl_FragCoord.xy / size * 2.0 - 1.0) * reach;
      vec3 ray = normalize(turn * vec3(plane, 1.0));
      vec2 at = vec2(atan(ray.x, ray.z) / (2.0 * PI) + 0.5, acos(clamp(ray.y, -1.0, 1.0)) / PI);
      vec2 dx = dFdx(at), dy = dFdy(at);
      dx.x -= round(dx.x);
      dy.x -= round(dy.x);
      float arc = length(ray.xz);
      dx.x *= arc;
      dy.x *= arc;
      vec3 left = textureGrad(before, at + vec2(turned, 0.0), dx, dy).rgb;
      vec3 right = textureGrad(after, at, dx, dy).rgb;
      vec3 seen = gl_FragCoord.x < divide ? left : right;
      // Where all light is blank white, or none shows: stripes that no picture holds.
      float stripe = step(0.5, fract((gl_FragCoord.x + gl_FragCoord.y) / 12.0));
      bool white = min(seen.r, min(seen.g, seen.b)) >= 252.5 / 255.0, black = max(seen.r, max(seen.g, seen.b)) <= 3.5 / 255.0;
      if (ends > 0.5 && white) seen = mix(vec3(1.0), vec3(0.85, 0.1, 0.0), stripe);
      if (ends > 0.5 && black) seen = mix(vec3(0.0), vec3(0.2, 0.5, 1.0), stripe);
      colour = vec4(seen, 1.0);
    }`;

  const NARROWEST = 15, WIDEST = 100;

  function program(gl) {
    const whole = gl.createProgram();
    for (const [kind, text] of [[gl.VERTEX_SHADER, VERTEX], [gl.FRAGMENT_SHADER, FRAGMENT]]) {
      const part = gl.createShader(kind);
      gl.shaderSource(part, text);
      gl.compileShader(part);
      gl.attachShader(whole, part);
    }
    gl.linkProgram(whole);
    return gl.getProgramParameter(whole, gl.LINK_STATUS) ? whole : null;
  }

  function rotation(yawDeg, pitchDeg) {
    const y = yawDeg * Math.PI / 180, p = pitchDeg * Math.PI / 180;
    const cy = Math.cos(y), sy = Math.sin(y), cp = Math.cos(p), sp = Math.sin(p);
    // Columns are where the view's right, up and forward point: x right, y up, z forward at yaw 0.
    return [cy, 0, -sy, -sy * sp, cp, -cy * sp, sy * cp, sp, cy * cp];
  }

  // A view on a canvas. `changed` is called with the view after each change.
  panopipe.Sphere = class {
    constructor(canvas, changed) {
      this.canvas = canvas;
      this.changed = changed;
      this.view = { yaw: 0, pitch: 0, field: 75, divide: 0.5 };
      this.marksEnds = false;
      this.gl = canvas.getContext("webgl2", { alpha: false, antialias: false, preserveDrawingBuffer: true });
      this.program = this.gl && program(this.gl);
      this.usable = Boolean(this.program);
      if (this.usable) this.prepare();
    }

    prepare() {
      const gl = this.gl;
      gl.useProgram(this.program);
      gl.bindBuffer(gl.ARRAY_BUFFER, gl.createBuffer());
      gl.bufferData(gl.ARRAY_BUFFER, new Float32Array([-1, -1, 3, -1, -1, 3]), gl.STATIC_DRAW);
      const corner = gl.getAttribLocation(this.program, "corner");
      gl.enableVertexAttribArray(corner);
      gl.vertexAttribPointer(corner, 2, gl.FLOAT, false, 0, 0);
      this.at = {};
      for (const name of ["after", "before", "size", "reach", "divide", "turned", "ends", "turn"]) {
        this.at[name] = gl.getUniformLocation(this.program, name);
      }
      gl.uniform1i(this.at.after, 0);
      gl.uniform1i(this.at.before, 1);
      this.textures = [gl.createTexture(), gl.createTexture()];
      this.fineness = gl.getExtension("EXT_texture_filter_anisotropic");
      this.canvas.addEventListener("webglcontextlost", (event) => event.preventDefault());
      this.canvas.addEventListener("webglcontextrestored", () => {
        this.program = program(gl);
        this.prepare();
        this.show(this.pictures.after, this.pictures.before, this.pictures.turned);
      });
      this.sized = new ResizeObserver(() => this.draw());
      this.sized.observe(this.canvas);
    }

    // Show a frame: pictures are decoded images; without a before-picture there is no divide. The finished picture
    // may be turned to the left by some degrees, so that all frames face one way.
    show(after, before, turned) {
      this.pictures = { after, before, turned: turned || 0 };
      this.load(0, after);
      this.load(1, before || after);
      this.draw();
    }

    load(unit, picture) {
      const gl = this.gl, largest = gl.getParameter(gl.MAX_TEXTURE_SIZE);
      gl.activeTexture(gl.TEXTURE0 + unit);
      gl.bindTexture(gl.TEXTURE_2D, this.textures[unit]);
      gl.pixelStorei(gl.UNPACK_COLORSPACE_CONVERSION_WEBGL, gl.NONE);
      gl.texImage2D(gl.TEXTURE_2D, 0, gl.RGB8, gl.RGB, gl.UNSIGNED_BYTE, fitting(picture, largest));
      gl.generateMipmap(gl.TEXTURE_2D);
      gl.texParameteri(gl.TEXTURE_2D, gl.TEXTURE_WRAP_S, gl.REPEAT);
      gl.texParameteri(gl.TEXTURE_2D, gl.TEXTURE_WRAP_T, gl.CLAMP_TO_EDGE);
      gl.texParameteri(gl.TEXTURE_2D, gl.TEXTURE_MIN_FILTER, gl.LINEAR_MIPMAP_LINEAR);
      if (this.fineness) gl.texParameterf(gl.TEXTURE_2D, this.fineness.TEXTURE_MAX_ANISOTROPY_EXT, 8);
    }

    look(change) {
      const view = Object.assign(this.view, change);
      view.yaw = ((view.yaw + 180) % 360 + 360) % 360 - 180;
      view.pitch = Math.max(-90, Math.min(90, view.pitch));
      view.field = Math.max(NARROWEST, Math.min(WIDEST, view.field));
      view.divide = Math.max(0, Math.min(1, view.divide));
      this.draw();
    }

    // Degrees that one pixel of the page spans in the middle of the view.
    get degreesPerPixel() {
      const half = Math.tan(this.view.field * Math.PI / 360);
      return Math.atan(2 * half / this.canvas.clientHeight) * 180 / Math.PI;
    }

    // Unit vector (x right, y up, z forward at yaw 0) of what lies under a place of the page.
    rayAt(x, y) {
      const box = this.canvas.getBoundingClientRect(), half = Math.tan(this.view.field * Math.PI / 360);
      const u = ((x - box.left) / box.width * 2 - 1) * half * box.width / box.height;
      const v = (1 - (y - box.top) / box.height * 2) * half;
      const turn = rotation(this.view.yaw, this.view.pitch), length = Math.hypot(u, v, 1);
      return [0, 1, 2].map((k) => (turn[k] * u + turn[3 + k] * v + turn[6 + k]) / length);
    }

    draw() {
      this.changed(this.view);
      if (!this.usable || !this.pictures || this.pending) return;
      this.pending = requestAnimationFrame(() => {
        this.pending = 0;
        this.paint();
      });
    }

    paint() {
      const gl = this.gl, canvas = this.canvas, scale = window.devicePixelRatio || 1;
      const width = Math.round(canvas.clientWidth * scale), height = Math.round(canvas.clientHeight * scale);
      if (!width || !height) return;
      if (canvas.width !== width || canvas.height !== height) {
        canvas.width = width;
        canvas.height = height;
      }
      const half = Math.tan(this.view.field * Math.PI / 360);
      gl.viewport(0, 0, width, height);
      gl.uniform2f(this.at.size, width, height);
      gl.uniform2f(this.at.reach, half * width / height, half);
      gl.uniform1f(this.at.divide, this.pictures.before ? this.view.divide * width : 0);
      gl.uniform1f(this.at.turned, this.pictures.turned / 360);
      gl.uniform1f(this.at.ends, this.marksEnds ? 1 : 0);
      gl.uniformMatrix3fv(this.at.turn, false, rotation(this.view.yaw, this.view.pitch));
      gl.drawArrays(gl.TRIANGLES, 0, 3);
    }
  };

  // A picture no larger than the graphics card takes.
  function fitting(picture, largest) {
    if (picture.naturalWidth <= largest) return picture;
    const canvas = document.createElement("canvas");
    canvas.width = largest;
    canvas.height = Math.round(largest * picture.naturalHeight / picture.naturalWidth);
    canvas.getContext("2d").drawImage(picture, 0, 0, canvas.width, canvas.height);
    return canvas;
  }

  // Hands, wheel and keys on a canvas move its sphere.
  panopipe.steer = function (canvas, sphere) {
    const fingers = new Map();
    const spread = () => {
      const [a, b] = [...fingers.values()];
      return Math.hypot(a.x - b.x, a.y - b.y);
    };
    canvas.addEventListener("pointerdown", (event) => {
      canvas.setPointerCapture(event.pointerId);
      fingers.set(event.pointerId, { x: event.clientX, y: event.clientY });
    });
    canvas.addEventListener("pointermove", (event) => {
      const last = fingers.get(event.pointerId);
      if (!last) return;
      const apart = fingers.size === 2 ? spread() : 0;
      fingers.set(event.pointerId, { x: event.clientX, y: event.clientY });
      if (apart) {
        sphere.look({ field: sphere.view.field * apart / Math.max(1, spread()) });
        return;
      }
      if (fingers.size > 2) return;
      const step = sphere.degreesPerPixel;
      const squeeze = Math.max(0.2, Math.cos(sphere.view.pitch * Math.PI / 180));
      sphere.look({
        yaw: sphere.view.yaw - (event.clientX - last.x) * step / squeeze,
        pitch: sphere.view.pitch + (event.clientY - last.y) * step,
      });
    });
    for (const end of ["pointerup", "pointercancel", "lostpointercapture"]) {
      canvas.addEventListener(end, (event) => fingers.delete(event.pointerId));
    }
    canvas.addEventListener("wheel", (event) => {
      event.preventDefault();
      const lines = event.deltaMode === 1 ? 30 : 1;
      sphere.look({ field: sphere.view.field * Math.exp(event.deltaY * lines * 0.0012) });
    }, { passive: false });
  };

  // The views that have a key and a button. At the seam the divide steps aside: it would lie on it.
  // The knob of the divide: a slider for keys, and one that is dragged.
  panopipe.slide = function (knob, sphere, stage) {
    const to = (event) => {
      const box = stage.getBoundingClientRect();
      sphere.look({ divide: (event.clientX - box.left) / box.width });
    };
    knob.addEventListener("pointerdown", (event) => { knob.setPointerCapture(event.pointerId); event.preventDefault(); knob.focus(); });
    knob.addEventListener("pointermove", (event) => { if (knob.hasPointerCapture(event.pointerId)) to(event); });
    knob.addEventListener("keydown", (event) => {
      const step = { ArrowLeft: -0.02, ArrowDown: -0.02, ArrowRight: 0.02, ArrowUp: 0.02, PageDown: -0.1, PageUp: 0.1 }[event.key];
      const end = { Home: 0, End: 1 }[event.key];
      if (step === undefined && end === undefined) return;
      event.preventDefault();
      event.stopPropagation();
      sphere.look({ divide: end !== undefined ? end : sphere.view.divide + step });
    });
  };

  panopipe.VIEWS = [
    { key: "f", name: "Front", look: { yaw: 0, pitch: 0, field: 75 } },
    { key: "s", name: "Seam", look: { yaw: 180, pitch: 0, field: 75, divide: 0 } },
    { key: "d", name: "Straight down", look: { yaw: 0, pitch: -90, field: 75 } },
    { key: "u", name: "Straight up", look: { yaw: 0, pitch: 90, field: 75 } },
  ];

  // Keys that move the sphere; true when the key was one of them.
  panopipe.keyed = function (sphere, key) {
    const view = sphere.view, step = view.field / 10;
    const named = panopipe.VIEWS.find((one) => one.key === key.toLowerCase());
    const moves = {
      ArrowLeft: { yaw: view.yaw - step },
      ArrowRight: { yaw: view.yaw + step },
      ArrowUp: { pitch: view.pitch + step },
      ArrowDown: { pitch: view.pitch - step },
      "+": { field: view.field / 1.2 },
      "=": { field: view.field / 1.2 },
      "-": { field: view.field * 1.2 },
      "[": { divide: view.divide - 0.05 },
      "]": { divide: view.divide + 0.05 },
      b: { divide: view.divide > 0.99 ? 0 : view.divide < 0.01 ? 0.5 : 1 },
    };
    const move = named ? named.look : moves[key.length === 1 ? key.toLowerCase() : key];
    if (move) sphere.look(move);
    return Boolean(move);
  };
})(window.panopipe);
