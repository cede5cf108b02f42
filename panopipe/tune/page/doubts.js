// What the review doubts of the frame as it was finished last; a tick accepts it, as the command does.
"use strict";

(function (panopipe) {
  const make = panopipe.make;

  // The list in a section of the page. `send(what, body)` asks the server, `look` turns the sphere,
  // `ticked(check, accepted)` is told of what a hand ticked and `failed(text)` of what could not be written.
  panopipe.Doubts = class {
    constructor(section, list, { send, look, ticked, failed }) {
      Object.assign(this, { section, list, send, look, ticked, failed, frame: null, asked: 0 });
    }

    async show(frame) {
      if (frame !== this.frame) this.fill([]);
      this.frame = frame;
      try {
        await this.ask("doubts", {});
      } catch (error) {
        this.failed(error.message);
      }
    }

    // Accept what a check says, or take that back; throws where it cannot be written.
    async tick(check, accepted) {
      const inUse = document.activeElement?.dataset.check;
      for (const box of this.list.querySelectorAll("input")) box.disabled = true;
      try {
        await this.ask("tick", { check, accepted });
      } finally {
        for (const box of this.list.querySelectorAll("input")) box.disabled = false;
        if (inUse) this.list.querySelector(`[data-check="${CSS.escape(inUse)}"]`)?.focus();
      }
    }

    // The newest request fills the list.
    async ask(what, body) {
      const mine = this.asked += 1, doubts = await this.send(what, { frame: this.frame, ...body });
      if (mine === this.asked) this.fill(doubts);
    }

    async byHand(box) {
      const { check } = box.dataset, accepted = box.checked;
      try {
        await this.tick(check, accepted);
        this.ticked(check, accepted);
      } catch (error) {
        box.checked = !accepted;
        this.failed(error.message);
      }
    }

    fill(doubts) {
      this.section.hidden = !doubts.length;
      this.list.replaceChildren(...doubts.map((one) => this.item(one)));
    }

    item({ check, title, sentence, accepted, look }) {
      const box = make("input", { type: "checkbox", "data-check": check, checked: accepted });
      box.addEventListener("change", () => this.byHand(box));
      const item = make("li", { class: accepted ? "accepted" : "" }, make("label", {}, box, make("span", {}, sentence)));
      if (!look) return item;
      const there = make("button", { type: "button", "aria-label": `Look there: ${title}` }, "Look there");
      there.addEventListener("click", () => this.look({ yaw: look[0], pitch: look[1], field: 60 }));
      item.append(there);
      return item;
    }
  };
})(window.panopipe);
