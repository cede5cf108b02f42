// What is written: keep a draft, carry a room's settings to others; each shows its lines before it is written.
"use strict";

(function (panopipe) {
  const make = panopipe.make;

  function lines(changes) {
    if (!changes.length) return make("div", { class: "lines" }, make("p", {}, "The files say so already: nothing would change."));
    return make("div", { class: "lines" }, ...changes.map((change) => make("p", {}, make("span", { class: "file" }, change.file), make("br", {}),
      make("code", {}, change.lines.length ? change.lines.join("\n") : "the same already"))));
  }

  function radio(group, value, text, checked) {
    return make("label", {}, make("input", { type: "radio", name: group, value, checked }), text);
  }

  function buttons(dialog, write) {
    const shut = make("button", { type: "button" }, "Not now");
    shut.addEventListener("click", () => dialog.close());
    return make("div", { class: "buttons" }, write, shut);
  }

  // Ask for whom a draft is kept. `ask` is the page's way to the server; `done` is told what was written.
  panopipe.openKeep = async function ({ dialog, name, room, frame, draft, ask, done, takeBack }) {
    const choices = make("fieldset", {}, make("legend", {}, "Keep it for"), radio("level", "frame", `this frame, ${name}`, true),
      room ? radio("level", "room", `its room, ${room}`) : "", radio("level", "job", "the whole job"));
    const shown = make("div", { "aria-live": "polite" }), fault = make("p", { class: "fault", role: "alert" });
    const write = make("button", { type: "button", class: "main", id: "write" }, "Write it");
    const level = () => choices.querySelector("input:checked").value;
    const send = (written) => ask("keep", { frame, draft, level: level(), write: written });
    let asked = 0;
    async function look() {
      const mine = asked += 1;
      write.disabled = true; // what is written is what is shown
      try {
        const { changes } = await send(false);
        if (mine !== asked) return;
        shown.replaceChildren(lines(changes));
        fault.textContent = "";
        write.disabled = !changes.length;
      } catch (error) {
        if (mine === asked) fault.textContent = error.message;
      }
    }
    choices.addEventListener("change", look);
    write.addEventListener("click", async () => {
      try {
        const { changes } = await send(true);
        dialog.close();
        done(changes, level());
      } catch (error) {
        fault.textContent = error.message;
      }
    });
    const foot = buttons(dialog, write), { said, standing } = await ask("steps", {});
    if (standing) {
      const back = make("button", { type: "button", class: "last" }, "Take back the last step");
      back.addEventListener("click", () => { dialog.close(); takeBack(); });
      foot.append(back);
      foot.append(make("p", { class: "hint" }, `Kept last: ${said[standing - 1]}`));
    }
    dialog.replaceChildren(make("h2", { id: "keep-title" }, "Keep what was tried"), choices, shown, fault, foot);
    dialog.showModal();
    await look();
  };

  // Show other rooms with a room's settings before anything is written.
  panopipe.openCarry = async function ({ dialog, room, name, own, rooms, ask, picture, done, tried }) {
    const others = rooms.filter((one) => one.name && one.name !== room && one.frames.some((frame) => !frame.fault));
    const shown = make("div", { "aria-live": "polite" }), fault = make("p", { class: "fault", role: "alert" });
    const write = make("button", { type: "button", class: "main", id: "write-carry", disabled: true }, "Write it");
    const head = make("h2", { id: "carry-title" }, "Carry settings to other rooms");
    const sources = make("fieldset", {}, make("legend", {}, "What is said for"),
      room ? radio("source", room, `the room ${room}`, true) : "", radio("source", name, `the room with this frame, ${name}`, !room));
    const source = () => sources.querySelector("input:checked").value;
    const stages = make("fieldset", { id: "carry-stages" }), goals = make("div", { class: "others" });
    let round = 0;
    dialog.addEventListener("close", () => { round += 1; }, { once: true });

    function chosen(box) { return [...box.querySelectorAll("input:checked")].map((one) => one.value); }

    function offer() {
      const said = source() === room && room ? own.room : own.frame;
      stages.replaceChildren(make("legend", {}, said.length ? "Stages" : "It sets nothing of its own: keep something for it first."),
        ...said.map((stage) => make("label", {}, make("input", { type: "checkbox", value: stage, checked: true }), stage)));
    }

    async function look() {
      round += 1;
      const mine = round, goal = chosen(goals), from = chosen(stages);
      fault.textContent = "";
      write.disabled = true;
      shown.replaceChildren();
      if (!from.length) return;
      try {
        if (goal.length) {
          const { changes } = await ask("carry", { source: source(), rooms: goal, stages: from, write: false });
          if (mine !== round) return;
          shown.replaceChildren(lines(changes));
          write.disabled = !changes.some((change) => change.lines.length);
        }
        for (const one of others) {
          for (const after of [false, true]) {
            if (mine !== round) return;
            const image = goals.querySelector(`[data-room="${others.indexOf(one)}"] .${after ? "with" : "as-is"} img`);
            const frame = one.frames.find((each) => !each.fault);
            if (!after && image.src) continue;
            const made = await picture("carried", { frame: frame.id, source: source(), stages: from, after });
            if (mine !== round) return;
            if (made) image.src = made.url;
          }
        }
      } catch (error) {
        if (mine === round) fault.textContent = error.message;
      }
    }

    for (const [place, one] of others.entries()) {
      const side = (kind, text) => make("figure", { class: kind }, make("img", { alt: `${one.name}, ${text}` }), make("figcaption", {}, text));
      goals.append(make("div", { class: "other", "data-room": place }, make("label", {}, make("input", { type: "checkbox", value: one.name }), one.name),
        make("div", { class: "pair" }, side("as-is", "as it is"), side("with", "with these"))));
    }
    sources.addEventListener("change", () => { offer(); look(); });
    stages.addEventListener("change", look);
    goals.addEventListener("change", look);
    write.addEventListener("click", async () => {
      try {
        const { changes } = await ask("carry", { source: source(), rooms: chosen(goals), stages: chosen(stages), write: true });
        dialog.close();
        done(changes);
      } catch (error) {
        fault.textContent = error.message;
      }
    });
    offer();
    dialog.replaceChildren(head, tried ? make("p", { class: "hint" }, "What is tried and not kept is not carried.") : "", sources, stages,
      others.length ? goals : make("p", {}, "There is no other room."), shown, fault, buttons(dialog, write));
    dialog.showModal();
    await look();
  };
})(window.panopipe);
