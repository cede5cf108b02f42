// The page: a frame, a draft of its settings, and pictures of what the draft does. The newest change wins.
"use strict";

(function (panopipe) {
  const make = panopipe.make;
  const byId = (id) => document.getElementById(id);
  const page = crypto.getRandomValues(new Uint32Array(2)).join("-");
  const POLL_MS = 1500, REST_MS = 180, FINE_AFTER_MS = 1000;

  let overview = null, frame = null, draft = {}, values = {}, notes = {}, own = { room: [], frame: [] };
  let number = 0, history = [], place = 0, turned = 0;
  const pictures = { tried: null, kept: null, recorded: null, fineTried: null, fineKept: null };

  // --- the server
  async function send(what, body, signal) {
    const reply = await fetch(what, { method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(body), signal, credentials: "omit" });
    if (reply.status === 409) return null;
    if (reply.status === 422) throw new Error((await reply.json()).fault);
    if (!reply.ok) throw new Error("panopipe does not answer this any longer; start it again in the terminal");
    return reply;
  }
  const ask = async (what, body) => (await send(what, body)).json();

  // A picture and what is told with it; null if a newer one was asked for meanwhile.
  async function askPicture(what, body, signal) {
    number += 1;
    const reply = await send(what, { ...body, page, number }, signal);
    if (!reply) return null;
    const bytes = await reply.arrayBuffer(), length = new DataView(bytes).getUint32(0);
    const told = JSON.parse(new TextDecoder().decode(new Uint8Array(bytes, 4, length)));
    return { told, url: URL.createObjectURL(new Blob([new Uint8Array(bytes, 4 + length)], { type: "image/jpeg" })) };
  }

  async function image(url) {
    const made = new Image();
    made.src = url;
    try {
      await made.decode();
    } finally {
      URL.revokeObjectURL(url);
    }
    return made;
  }

  // --- the sphere
  const stage = byId("stage"), canvas = byId("sphere");
  let pointer = null;
  const sphere = new panopipe.Sphere(canvas, (view) => {
    const percent = Math.round(100 * view.divide);
    byId("line").style.left = byId("divide").style.left = `${100 * view.divide}%`;
    byId("divide").setAttribute("aria-valuenow", percent);
    byId("divide").setAttribute("aria-valuetext", `${percent} % before, ${100 - percent} % tried`);
    stage.classList.toggle("no-left", view.divide < 0.12);
    stage.classList.toggle("no-right", view.divide > 0.88);
    canvas.dataset.view = JSON.stringify(view);
    if (pointer) pointer.draw();
  });
  panopipe.sphere = sphere;

  // Both sides of the divide are equally fine: else the eye compares sharpness and not the setting.
  function show() {
    const beside = byId("beside").value, fine = { kept: pictures.fineKept, recorded: pictures.recorded }[beside];
    const isFine = Boolean(pictures.fineTried && fine);
    const tried = isFine ? pictures.fineTried : pictures.tried, before = (isFine ? fine : pictures[beside]) || tried;
    byId("left-side").textContent = byId("beside").selectedOptions[0].textContent;
    stage.classList.toggle("same", before === tried);
    document.documentElement.dataset.fine = String(isFine);
    if (tried && sphere.usable) sphere.show(tried, before);
  }

  // --- the draft and its history
  const controls = new panopipe.Controls(byId("stages"), (name, value, live) => change({ [name]: value }, live), inherit);

  function change(some, live = false) {
    draft = { ...draft, ...some };
    for (const [name, value] of Object.entries(some)) {
      const held = values[name];
      if (held && !held.tried && JSON.stringify(held.value) === JSON.stringify(value)) delete draft[name];
    }
    values = withTried(values);
    shown(live);
  }

  // What is in force, and over it what is tried.
  function withTried(held) {
    const over = Object.entries(draft).filter(([name, value]) => held[name] && value !== null);
    return { ...held, ...Object.fromEntries(over.map(([name, value]) => [name, { ...held[name], value, tried: true }])) };
  }

  // Back to what is inherited: what was tried goes; else what the nearest file says.
  function inherit(name) {
    if (name in draft) {
      draft = { ...draft };
      delete draft[name];
      shown(false);
    } else change({ [name]: null });
  }

  function shown(live) {
    if (!live && JSON.stringify(history[place].draft) !== JSON.stringify(draft)) {
      history = [...history.slice(0, place + 1), { draft, kept: false }];
      place = history.length - 1;
    }
    acts();
    controls.show(values, draft, notes);
    work();
  }

  function acts() {
    byId("undo").disabled = place === 0;
    byId("redo").disabled = place === history.length - 1;
    byId("keep").disabled = !Object.keys(draft).length;
    document.documentElement.dataset.tried = Object.keys(draft).length;
  }

  async function step(by) {
    const goal = place + by, kept = history[by < 0 ? place : goal];
    if (goal < 0 || goal >= history.length) return undefined;
    try {
      if (kept.ticked) {
        await doubts.tick(kept.ticked.check, (by > 0) === kept.ticked.accepted);
        place = goal;
        return acts();
      }
      if (kept.kept) {
        const { said, changes } = await ask(by < 0 ? "undo" : "redo", {});
        say(`${by < 0 ? "Taken back" : "Written again"}: ${said} (${changes.map((one) => one.file).join(", ")})`);
      }
    } catch (error) {
      return warn(error.message);
    }
    place = goal;
    draft = history[place].draft;
    if (kept.kept) return again();
    acts();
    return work();
  }

  // A hand accepted a doubt, or took that back; it is a step like any.
  function ticked(check, accepted) {
    history = [...history.slice(0, place + 1), { draft, kept: false, ticked: { check, accepted } }];
    place = history.length - 1;
    say(accepted ? "Accepted: it no longer shows, until the check says something else or more." : "It shows again.");
    acts();
  }

  function kept(changes) {
    history = [...history.slice(0, place + 1), { draft: {}, kept: true }];
    place = history.length - 1;
    draft = {};
    say(`Written: ${changes.map((one) => one.file).join(", ")}`);
    again();
  }

  const doubts = new panopipe.Doubts(byId("finished"), byId("finished-doubts"),
    { send: ask, look: (view) => sphere.look(view), ticked, failed: (text) => warn(text) });

  // --- pictures
  let working = false, wanted = false, isQuick = true, stop = null, finer = 0, hasFiner = false;

  async function work() {
    clearTimeout(finer);
    pictures.fineTried = null;
    if (working) {
      wanted = true;
      if (!isQuick) stop.abort(); // the newest change comes first
      return;
    }
    working = true;
    isQuick = true;
    document.documentElement.dataset.working = "true";
    const began = performance.now();
    for (;;) {
      wanted = false;
      const told = await once();
      if (wanted) isQuick = true;
      else if (told && !told.exact) isQuick = false;
      else break;
    }
    working = false;
    delete document.documentElement.dataset.working;
    document.documentElement.dataset.took = Math.round(performance.now() - began);
    look(true);
    if (hasFiner) finer = setTimeout(fine, FINE_AFTER_MS);
  }

  // At rest the frame is worked on at full size, as a run does, and shown that fine; the kept one beside it, too.
  async function fine() {
    if (document.visibilityState !== "visible" || working) return;
    const mine = frame, tried = draft, isTried = Object.keys(tried).length > 0;
    try {
      if (!pictures.fineKept) {
        pictures.fineKept = await finePicture({});
        if (!pictures.fineKept || working || mine !== frame) return;
      }
      const picture = isTried ? await finePicture(tried) : pictures.fineKept;
      if (!picture || working || tried !== draft || mine !== frame) return;
      pictures.fineTried = picture;
      byId("status").textContent = isTried ? "As the run would make it." : "As the files say.";
      show();
    } catch (error) {
      byId("status").textContent = `Not shown finer: ${error.message}`;
    }
  }

  async function finePicture(of) {
    const made = await askPicture("fine", { frame, draft: of });
    return made && image(made.url);
  }

  async function once() {
    stop = new AbortController();
    const mine = frame, tried = draft;
    try {
      const made = await askPicture("picture", { frame: mine, draft: tried, quick: isQuick }, stop.signal);
      if (!made || mine !== frame) return null;
      const picture = await image(made.url);
      pictures.tried = picture;
      if (!Object.keys(tried).length && made.told.exact) pictures.kept = picture;
      take(made.told, tried);
      return made.told;
    } catch (error) {
      if (error.name === "AbortError") return null;
      if (!controls.say(error.message)) warn(error.message);
      byId("status").textContent = `Not shown: ${error.message}`;
      return null;
    }
  }

  function take(told, tried) {
    notes = told.notes;
    hasFiner = told.has_finer;
    turned = told.turned_deg; // settings name directions in the original, the sphere shows the finished file
    if (tried === draft) values = Object.fromEntries(Object.entries(told.values).map(([name, held]) => [name, { ...held, tried: name in tried }]));
    controls.say("");
    controls.show(values, draft, notes);
    byId("status").textContent = told.exact ? (Object.keys(draft).length ? "As the run would make it, small." : "As the files say, small.") : "A first draft; in a moment exact…";
    byId("doubts").replaceChildren(...told.reasons.map((reason) => make("p", {}, reason)));
    byId("wait").hidden = true;
    show();
    showLight();
    pointer.draw();
    document.documentElement.dataset.ready = "true";
  }

  // --- light on the sphere
  const scale = new panopipe.LightScale(byId("light")), looked = new WeakMap();

  function lightOf(picture) {
    if (!looked.has(picture)) looked.set(picture, panopipe.lightOf(picture));
    return looked.get(picture);
  }

  function showLight() {
    scale.show(lightOf(pictures.tried), pictures.kept && pictures.kept !== pictures.tried ? lightOf(pictures.kept) : null);
  }

  function markEnds() {
    sphere.marksEnds = !sphere.marksEnds;
    byId("mark-ends").setAttribute("aria-pressed", String(sphere.marksEnds));
    sphere.draw();
  }

  // --- full size under the pointer
  let rest = 0, looking = false, aim = null, isMissed = false;

  function hover(x, y) {
    if (byId("loupe-on").getAttribute("aria-pressed") !== "true" || !pointer) return;
    const box = canvas.getBoundingClientRect();
    aim = pointer.at(x, y);
    byId("loupe").classList.toggle("over", x > box.left + box.width * 0.4 && y < box.top + box.height * 0.6);
    clearTimeout(rest);
    rest = setTimeout(() => look(false), REST_MS);
  }

  async function look(isNew) {
    if (byId("loupe-on").getAttribute("aria-pressed") !== "true" || !aim || frame === null) return;
    if (looking) { isMissed = true; return; }
    if (working && !isNew) return;
    looking = true;
    clearTimeout(finer);
    do {
      isMissed = false;
      const [yaw, pitch] = panopipe.yawPitch(aim);
      byId("piece-said").textContent = "looking closer…";
      byId("loupe").hidden = false;
      try {
        const made = await askPicture("piece", { frame, draft, yaw, pitch });
        if (made) {
          await showPiece(made.url);
        }
      } catch (error) {
        byId("piece-said").textContent = error.message;
      }
    } while (isMissed);
    looking = false;
    if (hasFiner && !pictures.fineTried && !working) finer = setTimeout(fine, FINE_AFTER_MS);
  }

  // The piece in the screen's own pixels: one of the file is one of the screen.
  async function showPiece(url) {
    const piece = byId("piece"), before = piece.src;
    piece.src = url;
    await piece.decode();
    if (before) URL.revokeObjectURL(before);
    piece.style.width = `${piece.naturalWidth / (window.devicePixelRatio || 1)}px`;
    byId("piece-said").textContent = "100 %";
    byId("loupe").dataset.shown = String(Number(byId("loupe").dataset.shown || 0) + 1);
  }

  // --- frames
  async function open(chosen) {
    frame = chosen;
    draft = {};
    history = [{ draft, kept: false }];
    place = 0;
    for (const name of Object.keys(pictures)) pictures[name] = null;
    byId("wait").hidden = false;
    byId("wait").textContent = "Opening the frame…";
    if (pointer) pointer.mode && pointer.set(pointer.mode);
    doubts.show(frame);
    await again();
  }

  // Take what the files say anew; the draft stays.
  async function again() {
    const mine = frame;
    document.documentElement.dataset.working = "true";
    try {
      const told = await ask("frame", { frame });
      if (mine !== frame) return;
      ({ own, stamp } = told);
      values = withTried(told.values);
      pictures.kept = pictures.fineKept = null;
      controls.build(told.controls, values);
      controls.show(values, draft, notes);
      offerTools(told.gestures);
      controls.find(byId("find").value);
      acts();
      if (Object.keys(draft).length) await keptPicture(mine);
      work();
    } catch (error) {
      if (!working) delete document.documentElement.dataset.working;
      warn(error.message);
    }
  }

  async function keptPicture(mine) {
    const made = await askPicture("picture", { frame: mine, draft: {}, quick: false });
    if (made && mine === frame) pictures.kept = await image(made.url);
  }

  async function recorded() {
    if (byId("beside").value === "recorded" && !pictures.recorded) {
      try {
        const made = new Image();
        made.src = `recorded/${frame}`;
        await made.decode();
        pictures.recorded = made;
      } catch {
        warn("The picture as recorded was not kept; run the job to have it again.");
      }
    }
    show();
  }

  function offerTools(gestures) {
    const names = { neutral: "Pick a neutral spot", foot: "Covered circle", horizon: "Horizon" };
    const said = {
      "": "Drag to turn, wheel or pinch to come nearer.",
      neutral: "Click something that is grey or white in truth; Enter takes the middle of the view.",
      foot: "Drag the ring to where the support and its shadow end.",
      horizon: "Drag the ends of the line to what should be level.",
    };
    const buttons = gestures.map(({ name }) => {
      const button = make("button", { type: "button", "aria-pressed": "false", "data-tool": name }, names[name] || name);
      button.addEventListener("click", () => {
        const mode = pointer.set(name);
        for (const other of buttons) other.setAttribute("aria-pressed", String(other.dataset.tool === mode));
        byId("tool-said").textContent = said[mode];
        byId("sphere-help").classList.toggle("guides", Boolean(mode));
      });
      return button;
    });
    const tools = byId("pointer-tools"), same = (one, k) => one.dataset.tool === tools.children[k]?.dataset.tool;
    if (buttons.length !== tools.children.length || !buttons.every(same)) tools.replaceChildren(...buttons); // else one in use loses the focus
    for (const button of tools.children) button.setAttribute("aria-pressed", String(button.dataset.tool === pointer.mode));
  }

  const of = (name) => (values[name] || {}).value;

  // What the gestures read of the settings, and of what stages chose for them.
  const parts = {
    inOriginal: (yaw) => ((yaw + turned + 180) % 360 + 360) % 360 - 180,
    handles: [byId("handle-left"), byId("handle-right")],
    changed: change,
    hover,
    leave: () => clearTimeout(rest),
    level() {
      const tilt = of("level.tilt_deg"), found = notes.level || {};
      if (tilt === "auto") return { tilt: found.tilt_deg || 0, toward: (found.toward_yaw_deg || 0) - turned };
      return { tilt: tilt || 0, toward: (of("level.toward_yaw_deg") || 0) - turned };
    },
    foot() {
      const radius = of("nadir.foot_radius_m"), height = of("nadir.camera_height_m") || 1.5, margin = of("nadir.margin_deg") || 0;
      const metres = radius === "auto" ? (notes.nadir || {}).foot_radius_m || 0.2 : radius;
      return { height, margin, angle: Math.atan(metres / height) * 180 / Math.PI + margin };
    },
    spot() {
      const yaw = of("balance.neutral_yaw_deg"), pitch = of("balance.neutral_pitch_deg");
      return typeof yaw === "number" && typeof pitch === "number" ? { at: [yaw - turned, pitch], size: of("balance.neutral_size_deg") || 2 } : null;
    },
  };

  // --- words
  function say(text) { byId("said").textContent = byId("status").textContent = text; }

  function warn(text) {
    byId("notice").textContent = text;
    byId("notice").hidden = !text;
  }

  let stamp = null, isRunning = "";
  async function poll() {
    try {
      const state = await ask("state", {});
      if (state.fault) warn(state.fault);
      else if (state.run && state.ready) warn(`A run works on this job (${state.run}). It is not disturbed: what you keep counts from the next run on.`);
      else if (isRunning || byId("notice").textContent === isRunning) warn("");
      if (isRunning && !state.run && frame !== null) doubts.show(frame); // it has made its review
      isRunning = state.fault || state.run;
      if (!state.ready) byId("wait").textContent = state.said;
      else if (!overview) await begin();
      else if (state.stamp !== stamp) await again();
      stamp = state.stamp;
    } catch (error) {
      warn(error instanceof TypeError ? "panopipe has ended in the terminal. What was not kept is lost." : error.message);
    }
    setTimeout(poll, POLL_MS);
  }

  async function begin() {
    overview = await ask("overview", {});
    byId("title").textContent = overview.title || "Tune";
    document.title = `${overview.title || "Job"}: tune`;
    byId("frames").replaceChildren(...overview.rooms.map((room) => make("optgroup", { label: room.name || "no room" },
      ...room.frames.map((one) => make("option", { value: one.id, disabled: Boolean(one.fault) },
        `${room.name ? `${room.name}/` : ""}${one.name}${one.fault ? " (cannot be opened)" : ""}`)))));
    byId("frames").value = overview.start;
    await open(Number(byId("frames").value || overview.start));
  }

  function roomOf(id) { return overview.rooms.find((room) => room.frames.some((one) => one.id === id)); }
  function nameOf(id) {
    const room = roomOf(id), name = room.frames.find((one) => one.id === id).name;
    return room.name ? `${room.name}/${name}` : name;
  }

  function listen() {
    pointer = new panopipe.PointerTools(sphere, canvas, byId("marks"), parts);
    panopipe.steer(canvas, sphere);
    panopipe.slide(byId("divide"), sphere, stage);
    for (const view of panopipe.VIEWS) {
      const button = make("button", { type: "button", "aria-keyshortcuts": view.key }, view.name);
      button.addEventListener("click", () => sphere.look(view.look));
      byId("views").append(button);
    }
    byId("beside").addEventListener("change", recorded);
    byId("frames").addEventListener("change", () => open(Number(byId("frames").value)));
    byId("mark-ends").addEventListener("click", markEnds);
    byId("find").addEventListener("input", () => controls.find(byId("find").value));
    byId("undo").addEventListener("click", () => step(-1));
    byId("redo").addEventListener("click", () => step(1));
    byId("loupe-on").addEventListener("click", () => {
      const on = byId("loupe-on").getAttribute("aria-pressed") !== "true";
      byId("loupe-on").setAttribute("aria-pressed", String(on));
      byId("loupe").hidden = true;
      const box = canvas.getBoundingClientRect();
      if (on) hover(box.left + box.width / 2, box.top + box.height / 2);
    });
    byId("keep").addEventListener("click", () => panopipe.openKeep({ dialog: byId("keep-dialog"), name: nameOf(frame), room: roomOf(frame).name,
      frame, draft, ask, done: kept, takeBack: () => takeBack() }).catch((error) => warn(error.message)));
    byId("carry").addEventListener("click", () => panopipe.openCarry({ dialog: byId("carry-dialog"), room: roomOf(frame).name, name: nameOf(frame), own,
      rooms: overview.rooms, ask, picture: askPicture, tried: Object.keys(draft).length > 0,
      done: (changes) => {
        history = [...history.slice(0, place + 1), { draft, kept: true }];
        place = history.length - 1;
        say(`Written: ${changes.filter((one) => one.lines.length).map((one) => one.file).join(", ")}`);
        again();
      } }).catch((error) => warn(error.message)));
    canvas.addEventListener("keydown", (event) => {
      if (event.key === "Enter" && pointer.mode === "neutral") return pointer.pick(panopipe.direction(sphere.view.yaw, sphere.view.pitch));
      if (event.altKey || event.ctrlKey || event.metaKey || !panopipe.keyed(sphere, event.key)) return undefined;
      return event.preventDefault();
    });
    document.addEventListener("keydown", (event) => {
      const inField = event.target.closest("input:not([type='range'], [type='checkbox'], [type='radio']), select, textarea, dialog");
      if (inField) return;
      if ((event.ctrlKey || event.metaKey) && event.key.toLowerCase() === "z") {
        event.preventDefault();
        step(event.shiftKey ? 1 : -1);
      } else if (!event.ctrlKey && !event.metaKey) {
        const button = { l: "loupe-on", e: "mark-ends" }[event.key.toLowerCase()];
        if (button) byId(button).click();
      }
    });
    window.addEventListener("beforeunload", (event) => { if (Object.keys(draft).length) event.preventDefault(); });
  }

  async function takeBack() {
    try {
      const { said, changes } = await ask("undo", {});
      say(`Taken back: ${said} (${changes.map((one) => one.file).join(", ")})`);
      await again();
    } catch (error) {
      warn(error.message);
    }
  }

  if (!sphere.usable) byId("wait").textContent = "This browser cannot draw the sphere (WebGL 2 is off).";
  listen();
  poll();
})(window.panopipe);
