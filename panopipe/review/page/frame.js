// One frame in the large: sphere, what was found, settings with their origin, times.
"use strict";

(function (panopipe) {
  // Make an element. Text is always a text node: names from files are never markup.
  panopipe.make = function (name, attributes, ...inside) {
    const one = document.createElement(name);
    for (const [key, value] of Object.entries(attributes || {})) {
      if (value === true) one.setAttribute(key, "");
      else if (value !== false && value !== null && value !== undefined) one.setAttribute(key, value);
    }
    one.append(...inside.filter((part) => part !== null && part !== undefined && part !== ""));
    return one;
  };
  const make = panopipe.make;

  panopipe.nameOf = (frame) => (frame.room ? `${frame.room}/${frame.name}` : frame.name);

  // The words of a command as they are typed in this computer's shell, the job folder found from where this page lies.
  panopipe.typed = function (words) {
    const windows = /^Win/.test(navigator.platform);
    return words.map((word) => quoted(word === "JOB" ? jobFolder(windows) : word, windows));
  };

  function jobFolder(windows) {
    if (location.protocol !== "file:") return panopipe.review.job;
    let path;
    try {
      path = decodeURIComponent(new URL("..", location.href).pathname).replace(/\/$/, "");
    } catch {
      return panopipe.review.job;
    }
    return windows ? path.replace(/^\//, "").replaceAll("/", "\\") : path;
  }

  function quoted(word, windows) {
    if (/^[\w@%+=:,./\\-]+$/.test(word) && (windows || !word.includes("\\"))) return word;
    if (windows) return `"${word.replaceAll('"', '""').replaceAll("`", "``").replaceAll("$", "`$")}"`;
    return `'${word.replaceAll("'", `'"'"'`)}'`;
  }

  panopipe.command = function (words) {
    const typed = panopipe.typed(words), text = typed.join(" ");
    const button = make("button", { type: "button", class: "copy", "aria-label": `Copy command: ${text}` }, "Copy");
    button.addEventListener("click", () => copy(text, button));
    // A word goes on a line whole: a break inside an option would read as a space.
    const inside = typed.flatMap((word) => [" ", make("span", {}, word)]).slice(1);
    return make("div", { class: "command" }, make("code", { tabindex: "0" }, ...inside), button);
  };

  function copy(text, button) {
    const done = () => {
      button.textContent = "Copied";
      panopipe.say("Command copied");
      setTimeout(() => { button.textContent = "Copy"; }, 2000);
    };
    const byHand = () => {
      const area = make("textarea", { class: "unseen" });
      area.value = text;
      button.after(area);
      area.select();
      if (document.execCommand("copy")) done();
      area.remove();
      button.focus();
    };
    if (navigator.clipboard) navigator.clipboard.writeText(text).then(done, byHand);
    else byHand();
  }

  panopipe.say = (text) => { document.getElementById("said").textContent = text; };

  // Pictures arrive as scripts, since a page on disk may not hand picture files to the graphics card.
  const waiting = new Map();
  panopipe.picture = (name, base64) => {
    const bytes = Uint8Array.from(atob(base64), (letter) => letter.charCodeAt(0));
    const taker = waiting.get(name);
    waiting.delete(name);
    if (taker) taker(new Blob([bytes], { type: "image/jpeg" }));
  };

  panopipe.preview = async function (name) {
    const blob = await new Promise((resolve, reject) => {
      waiting.set(name, resolve);
      const script = make("script", { src: `previews/${name}.js` });
      script.onload = () => script.remove();
      script.onerror = () => { script.remove(); reject(new Error(`previews/${name}.js is missing`)); };
      document.head.append(script);
    });
    const image = new Image();
    image.src = URL.createObjectURL(blob);
    try {
      await image.decode();
    } finally {
      URL.revokeObjectURL(image.src);
    }
    return image;
  };

  const STATES = { fine: "fine", look: "wants a look", failed: "failed", waiting: "not run yet" };
  panopipe.badge = (frame) => make("span", { class: `badge ${frame.state}` }, STATES[frame.state]);

  // Whether a finding wants a look: it crossed its bar, and nobody has accepted it.
  panopipe.isOpen = (finding) => finding.crossed && !finding.accepted;

  // What to do where a finding is well as it is: folded, so that mending stands first.
  panopipe.accepting = (finding) => (finding.accept.length ? make("details", { class: "accept" },
    make("summary", {}, "Well as it is?"), make("p", { class: "hint" }, "Accept it, and it no longer shows, until the check says something else or more:"),
    panopipe.command(finding.accept)) : "");

  // What was accepted, folded, each with the command that makes it show again.
  panopipe.acceptedOf = function (findings) {
    const accepted = findings.filter((each) => each.crossed && each.accepted);
    if (!accepted.length) return "";
    return make("details", { class: "accepted" }, make("summary", {}, `${accepted.length} accepted`),
      make("ul", { class: "found" }, ...accepted.map((one) => make("li", {}, make("p", { class: "sentence" }, one.sentence),
        panopipe.command([...one.accept, "--take-back"])))));
  };

  // Everything that was found on a frame, those that want a look first.
  panopipe.findingsOf = function (frame, leftOut = new Set()) {
    const list = make("ul", { class: "found" });
    if (frame.error) list.append(make("li", { class: "crossed" }, make("p", { class: "sentence" }, frame.error)));
    for (const one of frame.findings.filter((each) => panopipe.isOpen(each) && !leftOut.has(each.check))) {
      const item = make("li", { class: "crossed" }, make("p", { class: "sentence" }, one.sentence));
      if (one.remedy) item.append(make("p", { class: "remedy" }, one.remedy));
      if (one.command.length) item.append(panopipe.command(one.command));
      item.append(panopipe.accepting(one));
      list.append(item);
    }
    const box = make("div", {}, list.children.length ? list : "", panopipe.acceptedOf(frame.findings));
    return box;
  };

  function number(value) {
    if (value === null) return "–";
    return Math.abs(value) >= 10 ? value.toFixed(0) : String(Number(value.toFixed(Math.abs(value) < 1 ? 2 : 1)));
  }

  function table(caption, heads, rows) {
    const head = make("tr", {}, ...heads.map((text) => make("th", { scope: "col" }, text)));
    const body = rows.map((cells) => make("tr", {}, ...cells.map((cell, place) =>
      make(place ? "td" : "th", place ? {} : { scope: "row" }, cell))));
    return make("div", { class: "wide", tabindex: "0", role: "region", "aria-label": caption },
      make("table", {}, make("caption", {}, caption), make("thead", {}, head), make("tbody", {}, ...body)));
  }
  panopipe.table = table;

  // What every check measured, each on a line that ends half as far again as its bar.
  function checks(frame) {
    const list = make("ul", { class: "checks" });
    for (const one of frame.findings.filter((each) => !each.check.startsWith("stage-"))) {
      const item = make("li", { class: panopipe.isOpen(one) ? "check crossed" : "check" }, make("span", {}, one.title, one.accepted ? " (accepted)" : ""),
        make("span", { class: "measured" }, one.value === null ? "" : `${number(one.value)} ${one.unit}`));
      if (one.value !== null && one.bar) {
        const fill = make("i", {});
        fill.style.width = `${Math.min(100, Math.abs(one.value) / one.bar / 1.5 * 100)}%`;
        item.append(make("span", { class: "meter", "aria-hidden": "true" }, fill),
          make("span", { class: "in-words" }, `${one.sentence} `, make("span", { class: "bar-said" }, `Wants a look above ${number(one.bar)}.`)));
      } else item.append(make("span", { class: "in-words" }, one.sentence));
      list.append(item);
    }
    return list;
  }

  // Takes side by side: what was found on each, where it is outlined, and the command that prefers it.
  function takes(frame) {
    const list = make("ul", { class: "takes" });
    for (const one of frame.takes) {
      const state = one.chosen ? (one.preferred ? "finished, as you prefer" : "finished") : "set aside, kept";
      const item = make("li", { class: one.chosen ? "take chosen" : "take" },
        one.picture ? make("img", { src: one.picture, alt: `${one.name}, with what was found outlined`, loading: "lazy" }) : "",
        make("p", {}, make("b", {}, one.name), ` ${state}`));
      for (const fault of one.faults) item.append(make("p", { class: "fault" }, fault));
      if (!one.faults.length) item.append(make("p", { class: "hint" }, "nothing against the others"));
      if (one.private) item.append(make("p", { class: "remedy" }, one.private));
      if (one.command.length) item.append(panopipe.command(one.command));
      list.append(item);
    }
    return list;
  }

  function settings(frame) {
    const box = make("div", { class: "settings" });
    for (const stage of new Set(frame.settings.map((one) => one.stage))) {
      const rows = frame.settings.filter((one) => one.stage === stage);
      const own = rows.some((one) => one.origin !== "built-in");
      const list = rows.map((one) => make("div", { class: one.origin === "built-in" ? "setting" : "setting own" },
        make("dt", {}, one.key), make("dd", {}, make("span", { class: "value" }, one.value),
          make("span", { class: "origin" }, one.origin),
          make("p", { class: "what" }, [one.help, one.allowed].filter(Boolean).join(": ")), panopipe.command(one.command))));
      box.append(make("details", {}, make("summary", {}, stage, make("span", { class: "origin" },
        own ? " some set by you" : " all built-in")), make("dl", {}, ...list)));
    }
    return box;
  }

  const isMap = (note) => note.name === "evened_map" && /^[0-9/]+$/.test(note.value);

  // Digits of the light stage: 5 is the frame's white, less is colder, more is warmer.
  function lightMap(note) {
    const rows = note.value.split("/");
    const map = make("canvas", { class: "map", width: String(rows[0].length), height: String(rows.length),
      role: "img", "aria-label": `Light by place: ${note.meaning}` });
    const ink = map.getContext("2d");
    rows.forEach((row, y) => [...row].forEach((digit, x) => {
      const [red, green, blue] = digit > 5 ? [232, 142, 32] : [48, 108, 222];
      const share = Math.abs(digit - 5) / (digit > 5 ? 4 : 5);
      ink.fillStyle = `rgb(${[red, green, blue].map((end) => Math.round(226 + share * (end - 226))).join(" ")})`;
      ink.fillRect(x, y, 1, 1);
    }));
    return make("figure", {}, make("h3", {}, "Light by place"), map,
      make("figcaption", {}, "Orange: the light came from lamps there; blue: from the day. It is one white now."));
  }

  function panel(frame, walk) {
    const box = make("div", { class: "panel" });
    const crossed = frame.error || frame.findings.some(panopipe.isOpen);
    box.append(make("h3", {}, crossed ? "What wants a look" : "Nothing wants a look"), panopipe.findingsOf(frame));
    if (frame.takes.length) box.append(make("h3", {}, "Takes of this stand"), takes(frame));
    box.append(panopipe.seenFrom(frame, walk));
    if (frame.findings.length) box.append(make("h3", {}, "All checks"), checks(frame));
    if (frame.settings.length) {
      box.append(make("h3", {}, "Settings in force"),
        make("p", { class: "hint" }, "Each with where it comes from and the command that changes it for this frame alone: put your value in place of the one shown."),
        settings(frame));
    }
    box.append(make("h3", {}, "Tune it by eye"), panopipe.command(frame.tune));
    box.append(make("h3", {}, "Make it again"), panopipe.command(frame.again));
    for (const note of frame.notes.filter(isMap)) box.append(lightMap(note));
    if (frame.notes.length) {
      box.append(table("What the stages noted", ["Stage", "Note", "Value", "What it tells"],
        frame.notes.filter((note) => !isMap(note)).map((note) => [note.stage, note.name.replaceAll("_", " "), note.value, note.meaning])));
    }
    if (frame.seconds.length) {
      box.append(table("Seconds of processor time", ["Stage", "Seconds"],
        frame.seconds.map((one) => [one.stage, one.seconds.toFixed(2)])));
    }
    const facts = [];
    if (frame.taken) facts.push(`taken ${frame.taken}`);
    if (frame.width) facts.push(`${frame.width} × ${frame.height} pixels`);
    if (frame.peak_bytes) facts.push(`${Math.round(frame.peak_bytes / 2 ** 20)} MiB of memory at most`);
    if (facts.length) box.append(make("p", { class: "hint" }, facts.join(", ")));
    return box;
  }

  // The finished file at its own pixels under the pointer, or in the middle of the view for keys and fingers.
  function loupe(frame, sphere, canvas) {
    const glass = make("div", { class: "loupe", hidden: true, "aria-hidden": "true" }), file = new Image();
    const show = (x, y) => {
      if (!file.naturalWidth) return;
      const [right, up, ahead] = sphere.rayAt(x, y), scale = window.devicePixelRatio || 1;
      const [width, height] = [file.naturalWidth / scale, file.naturalHeight / scale];
      const left = (Math.atan2(right, ahead) / (2 * Math.PI) + 0.5) * width - glass.clientWidth / 2;
      const top = Math.acos(Math.max(-1, Math.min(1, up))) / Math.PI * height - glass.clientHeight / 2;
      const held = Math.max(0, Math.min(height - glass.clientHeight, top));
      glass.style.backgroundSize = `${width}px ${height}px`;
      glass.style.backgroundPosition = `${Math.round(-left)}px ${Math.round(-held)}px`;
      const box = canvas.getBoundingClientRect();
      glass.classList.toggle("aside", x > box.left + box.width / 2);
    };
    const middle = () => {
      const box = canvas.getBoundingClientRect();
      show(box.left + box.width / 2, box.top + box.height / 2);
    };
    canvas.addEventListener("pointermove", (event) => {
      if (!glass.hidden && event.pointerType === "mouse" && !event.buttons) show(event.clientX, event.clientY);
    });
    const button = make("button", { type: "button", "aria-pressed": "false", "aria-keyshortcuts": "l" }, "Full size", make("kbd", {}, "L"));
    button.addEventListener("click", () => {
      glass.hidden = !glass.hidden;
      button.setAttribute("aria-pressed", String(!glass.hidden));
      if (glass.hidden) return undefined;
      if (file.src) return middle();
      file.addEventListener("load", () => {
        glass.style.backgroundImage = `url("${frame.finished}")`;
        glass.dataset.ready = "true";
        middle();
      });
      file.src = frame.finished;
      return undefined;
    });
    return { glass, button, moved: () => { if (!glass.hidden) middle(); } };
  }

  function tools(sphere, canvas) {
    const bar = make("div", { class: "tools", role: "toolbar", "aria-label": "Views" });
    for (const view of panopipe.VIEWS) {
      const button = make("button", { type: "button", "aria-keyshortcuts": view.key }, view.name, make("kbd", {}, view.key.toUpperCase()));
      button.addEventListener("click", () => sphere.look(view.look));
      bar.append(button);
    }
    for (const [name, key, hint] of [["Nearer", "+", ""], ["Wider", "-", ""], ["Before / after", "b", "B"]]) {
      const button = make("button", { type: "button", "aria-keyshortcuts": key }, name, make("kbd", {}, hint || key));
      button.addEventListener("click", () => panopipe.keyed(sphere, key));
      if (key === "b") button.classList.add("with-before");
      bar.append(button);
    }
    canvas.setAttribute("aria-describedby", "sphere-help");
    return bar;
  }

  // The handle of the divide: a slider for keys, one to drag for the pointer.
  function divider(sphere, stage) {
    const handle = make("div", { class: "divide with-before", role: "slider", tabindex: "0", "aria-label": "Divide: before on the left, after on the right",
      "aria-orientation": "horizontal", "aria-valuemin": "0", "aria-valuemax": "100" }, make("span", { "aria-hidden": "true" }, "‹ ›"));
    panopipe.slide(handle, sphere, stage);
    return handle;
  }

  function viewer(frame, walk, first) {
    const stage = make("div", { class: "stage" });
    const canvas = make("canvas", { id: "sphere", tabindex: "0", role: "application", "aria-roledescription": "sphere view",
      "aria-label": `Inside ${panopipe.nameOf(frame)}` });
    const said = make("p", { class: "where", "aria-hidden": "true" });
    const wait = make("p", { class: "wait", role: "status" }, "Loading the picture…");
    const seam = make("span", { class: "seam", "aria-hidden": "true" }, "seam");
    let handle = null;
    const ways = panopipe.waypoints(frame, walk);
    const sphere = new panopipe.Sphere(canvas, (view) => {
      said.textContent = `yaw ${view.yaw.toFixed(0)}°  pitch ${view.pitch.toFixed(0)}°  ${view.field.toFixed(0)}° high`;
      if (!handle) return;
      place(seam, view, canvas);
      closer.moved();
      ways.move(view, canvas);
      const percent = Math.round(100 * view.divide);
      handle.style.left = `${100 * view.divide}%`;
      handle.setAttribute("aria-valuenow", percent);
      handle.setAttribute("aria-valuetext", `${percent} % before, ${100 - percent} % after`);
      canvas.dataset.view = JSON.stringify(view);
      stage.classList.toggle("no-before", view.divide < 0.12);
      stage.classList.toggle("no-after", view.divide > 0.88);
    });
    const closer = loupe(frame, sphere, canvas);
    handle = divider(sphere, stage);
    stage.append(canvas, make("span", { class: "side left with-before", "aria-hidden": "true" }, "before"),
      make("span", { class: "side right with-before", "aria-hidden": "true" }, "after"), ways.box, handle, said, seam, closer.glass, wait);
    const help = make("p", { class: "hint", id: "sphere-help" },
      "Drag to turn, pinch or use the wheel to come nearer. ", make("span", { class: "keys" },
        "Keys: the arrows turn, + and − come nearer and go back, [ and ] move the divide, N and P go to the next and previous frame."),
      make("span", { class: "fingers" }, "Swipe below the picture for the next frame."));
    const link = make("a", { href: frame.finished, target: "_blank", rel: "noopener" }, "Open the finished file");
    const bar = tools(sphere, canvas), alone = make("button", { type: "button", "aria-pressed": "false", class: "alone", "aria-keyshortcuts": "w" }, "Whole width", make("kbd", {}, "W"));
    alone.addEventListener("click", () => {
      const on = document.getElementById("frame").classList.toggle("wide-sphere");
      alone.setAttribute("aria-pressed", String(on));
    });
    alone.setAttribute("aria-pressed", String(document.getElementById("frame").classList.contains("wide-sphere")));
    if (frame.finished) bar.append(closer.button);
    bar.append(alone);
    const box = make("div", { class: "viewer" }, stage, bar, help,
      frame.levelled_deg && frame.before ? make("p", { class: "hint" }, `The frame was levelled by ${number(frame.levelled_deg)} degrees, so before and after do not quite meet at the divide.`) : "",
      make("p", { class: "hint" }, link));
    box.classList.toggle("single", !frame.before);
    panopipe.steer(canvas, sphere);
    fill(frame, sphere, stage, wait, first);
    return { box, sphere };
  }

  // The mark at the upper edge of the view under which the seam runs: the place of the meridian of yaw 180 there.
  function place(seam, view, canvas) {
    const rad = Math.PI / 180, off = ((180 - view.yaw + 540) % 360 - 180) * rad;
    const pitch = view.pitch * rad, top = pitch + view.field * rad / 2;
    const rise = Math.cos(off) * Math.tan(top);
    const depth = Math.cos(off) * Math.cos(pitch) + rise * Math.sin(pitch);
    const half = Math.tan(view.field * rad / 2) * canvas.clientWidth / Math.max(1, canvas.clientHeight);
    const at = 0.5 + Math.sin(off) / depth / half / 2;
    seam.hidden = Math.cos(off) <= 0 || Math.abs(top) > 88 * rad || depth <= 0 || at < 0 || at > 1;
    seam.style.left = `${100 * at}%`;
  }

  async function fill(frame, sphere, stage, wait, first) {
    if (!sphere.usable) {
      wait.textContent = "This browser cannot draw the sphere (WebGL 2 is off). Here is the flat picture.";
      stage.classList.add("flat");
      stage.append(make("img", { src: frame.finished, alt: `${panopipe.nameOf(frame)}, flat` }));
      return;
    }
    try {
      const [after, before] = await Promise.all([
        panopipe.preview(`${frame.id}-after`), frame.before ? panopipe.preview(`${frame.id}-before`) : null]);
      sphere.show(after, before, frame.turned_deg);
      const found = frame.findings.find((one) => panopipe.isOpen(one) && one.look);
      const atSeam = found && Math.abs(found.look[0]) === 180;
      if (first) sphere.look(first);
      else sphere.look(found ? { yaw: found.look[0], pitch: found.look[1], field: 60, ...(atSeam ? { divide: 0 } : {}) } : {});
      wait.remove();
      stage.dataset.ready = "true";
    } catch (fault) {
      wait.textContent = `The picture cannot be shown: ${fault.message}. Run the job again to make it anew.`;
    }
  }

  let open = null;

  function close() {
    document.getElementById("frame").close();
  }

  panopipe.openFrame = function (frame, walk, opener, first) {
    const dialog = document.getElementById("frame");
    const at = walk.indexOf(frame);
    const step = (by) => {
      const next = walk[at + by];
      if (next) panopipe.openFrame(next, walk, open && open.opener);
    };
    const button = (text, label, by) => {
      const one = make("button", { type: "button", "aria-label": label, disabled: !walk[at + by], "data-step": by }, text);
      one.addEventListener("click", () => step(by));
      return one;
    };
    const shut = make("button", { type: "button", class: "shut" }, "Close", make("kbd", {}, "Esc"));
    shut.addEventListener("click", close);
    const head = make("div", { class: "head" }, make("h2", { id: "frame-title" }, panopipe.nameOf(frame)), panopipe.badge(frame),
      make("span", { class: "steps" }, button("‹ Previous", "Previous frame", -1),
        make("span", { class: "count" }, `${at + 1} of ${walk.length}`), button("Next ›", "Next frame", 1), shut));
    const seen = frame.finished ? viewer(frame, walk, first) : null;
    const body = make("div", { class: "body" }, seen ? seen.box : make("p", { class: "nothing" }, "There is no finished picture of this frame."), panel(frame, walk));
    if (open && open.sphere) panopipe.release(open.sphere);
    dialog.replaceChildren(head, body);
    open = { frame, sphere: seen && seen.sphere, step, opener: opener || (open && open.opener) || document.activeElement };
    if (!dialog.open) dialog.showModal();
    (seen ? dialog.querySelector("#sphere") : shut).focus();
    history.replaceState(null, "", `#frame-${frame.id}`);
  };

  // Let go of the graphics memory: browsers keep only some sixteen views alive.
  panopipe.release = function (sphere) {
    if (!sphere.gl) return;
    if (sphere.sized) sphere.sized.disconnect();
    const lose = sphere.gl.getExtension("WEBGL_lose_context");
    if (lose) lose.loseContext();
  };

  const SWIPE_PX = 60;

  // A finger that goes sideways beside the picture, and over nothing that scrolls that way, goes on to the next frame.
  function swiped(dialog) {
    let begun = null;
    const scrolls = (part) => part.scrollWidth > part.clientWidth + 1 && getComputedStyle(part).overflowX !== "visible";
    const isFree = (part) => part === dialog || (!part.matches(".stage, input, select, textarea") && !scrolls(part) && isFree(part.parentElement));
    dialog.addEventListener("touchstart", (event) => {
      const [finger] = event.touches;
      begun = event.touches.length === 1 && isFree(event.target) ? { x: finger.clientX, y: finger.clientY } : null;
    }, { passive: true });
    dialog.addEventListener("touchend", (event) => {
      const [finger] = event.changedTouches, from = begun;
      begun = null;
      if (!from || !open) return;
      const across = finger.clientX - from.x, along = finger.clientY - from.y;
      if (Math.abs(across) >= SWIPE_PX && Math.abs(across) > 2 * Math.abs(along)) open.step(across < 0 ? 1 : -1);
    });
  }

  panopipe.prepareDialog = function () {
    const dialog = document.getElementById("frame");
    swiped(dialog);
    dialog.addEventListener("close", () => {
      if (open && open.sphere) panopipe.release(open.sphere);
      if (open && open.opener && open.opener.isConnected) open.opener.focus();
      open = null;
      dialog.replaceChildren();
      history.replaceState(null, "", location.pathname);
    });
    dialog.addEventListener("keydown", (event) => {
      if (!open || event.ctrlKey || event.metaKey || event.altKey) return;
      const key = event.key.length === 1 ? event.key.toLowerCase() : event.key;
      const arrow = key.startsWith("Arrow"), onSphere = event.target.id === "sphere";
      if (key === "n") open.step(1);
      else if (key === "p") open.step(-1);
      else if (key === "l" || key === "w") dialog.querySelector(`[aria-keyshortcuts="${key}"]`)?.click();
      else if (arrow && !onSphere) return;
      else if (!open.sphere || !panopipe.keyed(open.sphere, key)) return;
      event.preventDefault();
    });
  };
})(window.panopipe);
