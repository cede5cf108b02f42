// Controls of the settings, made from what the stages declare: one row each.
"use strict";
window.panopipe = window.panopipe || {};

(function (panopipe) {
  // Make an element. Text is always a text node: names from files are never markup.
  panopipe.make = function (name, attributes, ...inside) {
    const made = document.createElement(name);
    for (const [key, value] of Object.entries(attributes || {})) {
      if (value === true) made.setAttribute(key, "");
      else if (value !== false && value !== null && value !== undefined) made.setAttribute(key, value);
    }
    made.append(...inside.filter((part) => part !== null && part !== undefined && part !== ""));
    return made;
  };
  const make = panopipe.make;

  panopipe.spelled = function (value) {
    if (Array.isArray(value)) return value.length ? value.join(", ") : "none";
    if (typeof value === "boolean") return value ? "on" : "off";
    if (typeof value === "number") return String(Number(value.toPrecision(5)));
    return value === "" ? "none" : String(value);
  };

  const UNITS = ["_ev", "_deg", "_percent", "_kelvin", "_m", "_px", "_mired"];
  function words(key) {
    const unit = UNITS.find((end) => key.endsWith(end));
    return (unit ? key.slice(0, -unit.length) : key).replaceAll("_", " ");
  }

  // One row. `changed(value, live)` is told what a hand does; `back()` asks for the inherited value.
  class Control {
    constructor(stage, setting, changed, back) {
      this.name = `${stage}.${setting.key}`;
      this.setting = setting;
      this.changed = changed;
      const id = `set-${stage}-${setting.key}`;
      const label = setting.key === "use" ? "at work" : words(setting.key);
      this.field = this.makeField(id);
      this.wrong = make("p", { class: "wrong", id: `${id}-wrong`, role: "alert", hidden: true });
      this.origin = make("span", { class: "origin" });
      this.back = make("button", { type: "button", class: "back", "aria-label": `${stage}, ${label}: as inherited` }, "as inherited");
      this.back.addEventListener("click", back);
      const row = make("div", { class: "row" }, make("label", { class: "name", for: id }, label), this.field,
        make("span", { class: "unit" }, setting.unit || ""));
      const slides = setting.step && setting.low !== null && setting.high !== null;
      const second = make("div", { class: "row" }, slides ? this.makeSlide(stage, label) : "", setting.auto ? this.makeAuto(stage, label) : "");
      this.box = make("div", { class: "control", "data-name": this.name }, row, second.children.length ? second : "", this.wrong,
        make("div", { class: "foot" }, make("p", { class: "help", id: `${id}-help` }, setting.help, " ", this.origin), this.back));
      this.field.setAttribute("aria-describedby", `${id}-help ${id}-wrong`);
    }

    makeField(id) {
      const { kind, low, high, step, choices } = this.setting;
      let field;
      if (kind === "switch") {
        field = make("input", { type: "checkbox", id });
        field.addEventListener("change", () => this.changed(field.checked, false));
      } else if (kind === "choice") {
        field = make("select", { id }, ...choices.map((word) => make("option", { value: word }, word)));
        field.addEventListener("change", () => this.changed(field.value, false));
      } else if (kind === "number" || kind === "whole") {
        field = make("input", { type: "number", id, min: low, max: high, step: kind === "whole" ? 1 : "any", inputmode: "decimal" });
        field.addEventListener("change", () => this.typed(field));
        field.addEventListener("keydown", (event) => {
          const up = { ArrowUp: 1, ArrowDown: -1 }[event.key];
          if (!up || kind === "whole") return;
          event.preventDefault();
          this.take((field.value === "" ? Number(field.placeholder) || 0 : field.valueAsNumber) + up * step, true);
        });
      } else {
        field = make("input", { type: "text", id, spellcheck: "false", autocomplete: "off" });
        field.addEventListener("change", () => {
          if (kind !== "wholes") return this.changed(field.value, false);
          const parts = field.value.split(/[\s,;]+/).filter(Boolean);
          if (parts.every((part) => /^\d+$/.test(part))) return this.changed(parts.map(Number), false);
          return this.say(this.setting.allowed);
        });
      }
      return field;
    }

    makeAuto(stage, label) {
      this.auto = make("button", { type: "button", class: "auto", "aria-pressed": "false", "aria-label": `${stage}, ${label}: auto` }, "auto");
      this.auto.addEventListener("click", () => {
        if (this.auto.getAttribute("aria-pressed") === "false") this.changed("auto", false);
        else this.take(this.chosen === undefined ? (this.setting.low + this.setting.high) / 2 : this.chosen, false);
      });
      return this.auto;
    }

    makeSlide(stage, label) {
      const { low, high, step, unit } = this.setting;
      this.slide = make("input", { type: "range", min: low, max: high, step, "aria-label": `${stage}, ${label}${unit ? `, ${unit}` : ""}` });
      this.slide.addEventListener("input", () => this.take(this.slide.valueAsNumber, true));
      this.slide.addEventListener("change", () => this.take(this.slide.valueAsNumber, false));
      return this.slide;
    }

    typed(field) {
      if (field.value === "" && this.setting.auto) return this.changed("auto", false);
      if (field.value === "" || !field.validity.valid) return this.say(this.setting.allowed);
      return this.changed(field.valueAsNumber, false);
    }

    // A number within the bounds, without digits that a step does not have.
    take(value, live) {
      const { low, high, step } = this.setting;
      const held = Math.max(low, Math.min(high, Number(value.toFixed(Math.max(0, -Math.floor(Math.log10(step)))))));
      this.changed(held, live);
    }

    say(text) {
      this.wrong.textContent = text;
      this.wrong.hidden = !text;
      this.field.setAttribute("aria-invalid", text ? "true" : "false");
    }

    // Show what is in force. `chosen` is what the stage noted for a setting left to it.
    show(held, isTried, chosen) {
      const { value } = held, isAuto = value === "auto" && this.setting.auto;
      this.chosen = typeof chosen === "number" ? chosen : undefined;
      const { field } = this;
      if (field.type === "checkbox") field.checked = value;
      else if (field !== document.activeElement || field.type !== "text") {
        field.value = isAuto ? "" : Array.isArray(value) ? value.join(", ") : typeof value === "number" ? Number(value.toPrecision(6)) : value;
      }
      if (isAuto) field.placeholder = chosen === undefined ? "auto" : panopipe.spelled(chosen);
      if (this.auto) {
        this.auto.setAttribute("aria-pressed", String(isAuto));
        this.auto.textContent = isAuto && chosen !== undefined ? `auto: ${panopipe.spelled(chosen)}` : "auto";
      }
      if (this.slide && this.slide !== document.activeElement) {
        const at = isAuto ? this.chosen : value;
        this.slide.value = at === undefined ? (this.setting.low + this.setting.high) / 2 : at;
      }
      this.box.classList.toggle("open", isTried);
      this.origin.textContent = `(${isTried ? "tried, not kept" : held.origin})`;
      this.back.disabled = !isTried && held.level === "built-in";
      this.back.textContent = isTried ? "not this" : "as inherited";
    }
  }

  // All stages of a frame. `changed(name, value, live)` and `back(name)` are the page's.
  panopipe.Controls = class {
    constructor(box, changed, back) {
      this.box = box;
      this.changed = changed;
      this.back = back;
      this.rows = new Map();
    }

    build(stages, values) {
      const open = new Map([...this.box.querySelectorAll("details.stage-box")].map((one) => [one.dataset.stage, one.open]));
      this.rows.clear();
      this.notes = new Map();
      this.box.replaceChildren(...stages.map((stage) => {
        const rows = stage.settings.map((setting) => {
          const name = `${stage.name}.${setting.key}`;
          const row = new Control(stage.name, setting, (value, live) => this.changed(name, value, live), () => this.back(name));
          this.rows.set(name, row);
          return row;
        });
        const own = rows.some((row) => values[row.name] && values[row.name].level !== "built-in");
        const opened = open.has(stage.name) ? open.get(stage.name) : own || rows.some((row) => row.setting.auto);
        const list = make("dl", {});
        const notes = make("details", { class: "notes", hidden: true }, make("summary", {}, "what it found"), list);
        this.notes.set(stage.name, { box: notes, list, declared: stage.notes });
        return make("details", { class: "stage-box", "data-stage": stage.name, open: opened },
          make("summary", {}, stage.name, make("span", { class: "origin" }, stage.summary)), ...rows.map((row) => row.box), notes);
      }));
    }

    show(values, draft, notes) {
      for (const [name, row] of this.rows) {
        const [stage, key] = [name.slice(0, name.indexOf(".")), name.slice(name.indexOf(".") + 1)];
        if (values[name]) row.show(values[name], name in draft, (notes[stage] || {})[key]);
      }
      for (const [stage, { box, list, declared }] of this.notes) {
        const told = Object.entries(notes[stage] || {}).filter(([key]) => declared[key]);
        box.hidden = !told.length;
        list.replaceChildren(...told.flatMap(([key, value]) => [
          make("dt", {}, declared[key].meaning),
          make("dd", {}, `${panopipe.spelled(value)}${declared[key].unit ? ` ${declared[key].unit}` : ""}`)]));
      }
    }

    // A fault that begins with a setting's name stands beside it; true if one did.
    say(fault) {
      for (const row of this.rows.values()) row.say("");
      if (!fault) return true;
      const row = [...this.rows.values()].find((one) => fault.startsWith(`${one.name}: `) || fault.startsWith(`${one.setting.key}: `));
      if (row) row.say(fault.slice(fault.indexOf(": ") + 2));
      return Boolean(row);
    }

    find(text) {
      const wanted = text.trim().toLowerCase();
      for (const row of this.rows.values()) {
        const said = `${row.name.replaceAll("_", " ")} ${row.setting.help}`.toLowerCase();
        row.box.hidden = Boolean(wanted) && !said.includes(wanted.replaceAll("_", " "));
      }
      for (const stage of this.box.querySelectorAll("details.stage-box")) {
        const some = stage.querySelector(".control:not([hidden])");
        stage.hidden = !some;
        if (wanted && some) stage.open = true;
      }
    }
  };
})(window.panopipe);
