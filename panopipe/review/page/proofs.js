// The proofs by room. Names are text nodes: they are never markup.
"use strict";
window.panopipe = window.panopipe || {};

(function (panopipe) {
  function make(name, attributes, ...inside) {
    const made = document.createElement(name);
    for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
    made.append(...inside);
    return made;
  }

  function side(kind, words, address, name) {
    if (!address) return make("figure", { class: kind }, make("p", { class: "none" }, "no proof before this one"));
    const image = make("img", { src: address, alt: `${name}, ${words}`, loading: "lazy", width: 2048, height: 1024 });
    return make("figure", { class: kind }, make("a", { href: address }, image), make("figcaption", {}, words));
  }

  panopipe.proofs = function (data) {
    document.title = `${data.title || "Job"}: proofs`;
    document.getElementById("title").textContent = data.title ? `${data.title}: proofs` : "Proofs";
    const rooms = document.getElementById("rooms");
    for (const room of data.rooms) {
      rooms.append(make("h2", {}, room.name || "Frames without a room"), make("ul", {}, ...room.frames.map((frame) =>
        make("li", {}, make("h3", {}, frame.name), make("div", { class: frame.before ? "pair" : "pair single" },
          side("before", "before", frame.before, frame.name), side("now", "now", frame.now, frame.name))))));
    }
    if (!data.rooms.length) rooms.append(make("p", {}, "No proof is made yet."));
    document.documentElement.dataset.ready = "true";
  };
})(window.panopipe);
