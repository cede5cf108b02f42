// Two finished frames side by side, turned together: is white the same white, is one room brighter than the other?
"use strict";

(function (panopipe) {
  const make = panopipe.make;
  let spheres = [];

  function chooser(frames, name) {
    const rooms = new Map();
    for (const one of frames) rooms.set(one.room, [...(rooms.get(one.room) || []), one]);
    return make("select", { "aria-label": name }, ...[...rooms].map(([room, some]) => make("optgroup", { label: room || "no room" },
      ...some.map((one) => make("option", { value: one.id }, panopipe.nameOf(one))))));
  }

  // One of the two: its choice and its sphere. `moved` is told how far a hand turned it.
  function side(place, frames, chosen, moved) {
    const choice = chooser(frames, place ? "Frame on the right" : "Frame on the left");
    const canvas = make("canvas", { tabindex: "0", role: "application", "aria-roledescription": "sphere view" });
    const wait = make("p", { class: "wait", role: "status" });
    let last = null;
    const sphere = new panopipe.Sphere(canvas, (view) => {
      const before = last;
      last = { ...view };
      if (before) moved(sphere, { yaw: view.yaw - before.yaw, pitch: view.pitch - before.pitch, field: view.field });
      canvas.dataset.view = JSON.stringify(view);
    });
    async function show() {
      const frame = frames.find((one) => one.id === choice.value);
      canvas.setAttribute("aria-label", `Inside ${panopipe.nameOf(frame)}`);
      wait.textContent = "Loading the picture…";
      try {
        const picture = await panopipe.preview(`${frame.id}-after`);
        if (frame.id !== choice.value) return;
        if (sphere.usable) sphere.show(picture, null);
        wait.textContent = sphere.usable ? "" : "This browser cannot draw the sphere (WebGL 2 is off).";
        canvas.dataset.shown = frame.id;
      } catch (fault) {
        wait.textContent = `The picture cannot be shown: ${fault.message}. Run the job again to make it anew.`;
      }
    }
    choice.value = chosen.id;
    choice.addEventListener("change", show);
    panopipe.steer(canvas, sphere);
    canvas.addEventListener("keydown", (event) => {
      if (!event.ctrlKey && !event.metaKey && !event.altKey && panopipe.keyed(sphere, event.key)) event.preventDefault();
    });
    return { box: make("div", { class: "side-of-two" }, choice, make("div", { class: "stage" }, canvas, wait)), sphere, show };
  }

  panopipe.openPair = function (frames) {
    const dialog = document.getElementById("pair");
    const first = frames[0], second = frames.find((one) => one.room !== first.room) || frames[1];
    const together = make("input", { type: "checkbox", id: "pair-together", checked: true });
    let isMoving = false;
    const moved = (which, { yaw, pitch, field }) => {
      if (isMoving || !together.checked) return;
      isMoving = true;
      for (const other of spheres.filter((one) => one !== which)) other.look({ yaw: other.view.yaw + yaw, pitch: other.view.pitch + pitch, field });
      isMoving = false;
    };
    const sides = [first, second].map((chosen, place) => side(place, frames, chosen, moved));
    spheres = sides.map((one) => one.sphere);
    const shut = make("button", { type: "button", class: "shut" }, "Close", make("kbd", {}, "Esc"));
    shut.addEventListener("click", () => dialog.close());
    dialog.replaceChildren(make("div", { class: "head" }, make("h2", { id: "pair-title" }, "Two side by side"),
      make("label", { for: "pair-together" }, together, "turn together"), make("span", { class: "steps" }, shut)),
    make("div", { class: "two" }, ...sides.map((one) => one.box)));
    dialog.addEventListener("close", () => {
      for (const sphere of spheres) panopipe.release(sphere);
      spheres = [];
      dialog.replaceChildren();
    }, { once: true });
    dialog.showModal();
    for (const one of sides) one.show();
  };
})(window.panopipe);
