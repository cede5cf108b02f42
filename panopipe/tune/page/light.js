// How light lies on the sphere: shares of it by stops below white, and what is at either end of the scale.
"use strict";
window.panopipe = window.panopipe || {};

(function (panopipe) {
  const make = panopipe.make;
  const STOPS = 8, PER_STOP = 2, BARS = STOPS * PER_STOP;
  const WHITE_FROM = 253, BLACK_TO = 3; // the codes by which the morning page calls a pixel blank white or solid black
  const WIDTH = 768; // columns that are looked at: enough for shares of a thousandth
  const LINEAR = Float32Array.from({ length: 256 }, (_, code) => {
    const share = code / 255; // sRGB, IEC 61966-2-1
    return share <= 0.04045 ? share / 12.92 : ((share + 0.055) / 1.055) ** 2.4;
  });

  // Shares of the sphere's solid angle in half stops, the darkest first, and at the ends of the scale.
  panopipe.lightOf = function (picture) {
    const canvas = document.createElement("canvas");
    canvas.width = Math.min(WIDTH, picture.naturalWidth);
    canvas.height = Math.round(canvas.width / 2);
    const ink = canvas.getContext("2d", { willReadFrequently: true });
    ink.imageSmoothingEnabled = false; // an average would hide what is clipped
    ink.drawImage(picture, 0, 0, canvas.width, canvas.height);
    return sharesOf(ink.getImageData(0, 0, canvas.width, canvas.height));
  };

  function sharesOf({ data, width, height }) {
    const light = { bars: new Float64Array(BARS), white: 0, colour: 0, black: 0 };
    let whole = 0;
    for (let row = 0; row < height; row += 1) {
      const weight = Math.cos((0.5 - (row + 0.5) / height) * Math.PI);
      whole += weight * width;
      for (let at = 4 * row * width, end = at + 4 * width; at < end; at += 4) {
        const red = data[at], green = data[at + 1], blue = data[at + 2];
        const most = Math.max(red, green, blue), least = Math.min(red, green, blue);
        if (least >= WHITE_FROM) light.white += weight;
        else if (most >= WHITE_FROM) light.colour += weight;
        else if (most <= BLACK_TO) light.black += weight;
        const stops = Math.log2(0.2126 * LINEAR[red] + 0.7152 * LINEAR[green] + 0.0722 * LINEAR[blue]);
        light.bars[Math.max(0, Math.min(BARS - 1, Math.floor((stops + STOPS) * PER_STOP)))] += weight;
      }
    }
    light.bars = light.bars.map((sum) => sum / whole);
    for (const end of ["white", "colour", "black"]) light[end] /= whole;
    return light;
  }

  const percent = (share) => `${(100 * share).toFixed(share < 0.0995 ? 1 : 0)} %`;

  // Columns by half stops: those of what is tried filled, those of what is kept as an edge over them.
  panopipe.LightScale = class {
    constructor(box) {
      this.columns = Array.from({ length: BARS }, () => ({ tried: make("i", {}), kept: make("b", {}) }));
      this.said = make("p", { class: "ends" });
      const ticks = Array.from({ length: STOPS + 1 }, (_, at) => make("span", {}, at === STOPS ? "white" : `−${STOPS - at}`));
      box.replaceChildren(make("div", { class: "columns", "aria-hidden": "true" }, ...this.columns.map(({ tried, kept }) => make("span", {}, tried, kept))),
        make("div", { class: "ticks", "aria-hidden": "true" }, ...ticks), this.said);
    }

    show(tried, kept) {
      const highest = Math.max(...tried.bars, ...(kept ? kept.bars : [0]));
      this.columns.forEach((column, at) => {
        column.tried.style.height = `${100 * tried.bars[at] / highest}%`;
        column.kept.style.height = `${100 * (kept || tried).bars[at] / highest}%`;
      });
      const said = (end) => (kept && percent(kept[end]) !== percent(tried[end]) ? `${percent(tried[end])} (kept ${percent(kept[end])})` : percent(tried[end]));
      this.said.textContent = `Blank white ${said("white")}, a colour at its end ${said("colour")}, solid black ${said("black")} of the sphere.`;
    }
  };
})(window.panopipe);
