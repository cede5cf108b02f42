// The overview: what to look at first, all frames by room or by doubt, white across the rooms, times.
"use strict";

(function (panopipe) {
  const make = panopipe.make;
  const byId = (id) => document.getElementById(id);
  const doubted = (frame) => frame.state === "look" || frame.state === "failed";
  const many = (number, one, more) => `${number} ${number === 1 ? one : more}`;

  function summary(review) {
    const count = (state) => review.frames.filter((one) => one.state === state).length;
    const rooms = new Set(review.frames.map((one) => one.room)).size;
    const parts = [`${count("fine")} fine`];
    if (count("look")) parts.push(many(count("look"), "wants a look", "want a look"));
    if (count("failed")) parts.push(`${count("failed")} failed`);
    if (count("waiting")) parts.push(`${count("waiting")} not run yet`);
    const accepted = review.frames.flatMap((one) => one.findings).filter((one) => one.crossed && one.accepted).length;
    if (accepted) parts.push(`${many(accepted, "doubt", "doubts")} accepted`);
    return `${many(review.frames.length, "frame", "frames")} in ${many(rooms, "room", "rooms")}: ${parts.join(", ")}.`;
  }

  function thumbnail(frame, loading) {
    if (!frame.thumbnail) return make("span", { class: "no-picture" }, frame.state === "waiting" ? "not run yet" : "no picture");
    return make("img", { src: `thumbnails/${frame.id}.jpg`, alt: `Whole sphere of ${panopipe.nameOf(frame)}`, width: 640, height: 320,
      loading, decoding: "async" });
  }

  function opener(frame, walk, className, ...inside) {
    const button = make("button", { type: "button", class: className, "data-frame": frame.id }, ...inside);
    button.addEventListener("click", () => panopipe.openFrame(frame, walk(), button));
    return button;
  }

  const MOST_OPEN = 8, SHOWN_FIRST = 4, SHARED_BY = 4, SHARED = 0.8;

  // Checks that nearly all finished frames fail: that is one thing about the job, not one about each frame.
  function sharedChecks(review) {
    const finished = review.frames.filter((one) => one.state === "fine" || one.state === "look");
    const found = new Map();
    for (const frame of finished) {
      for (const one of frame.findings.filter(panopipe.isOpen)) found.set(one.check, [...(found.get(one.check) || []), { frame, one }]);
    }
    return new Map([...found].filter(([, all]) => all.length >= Math.max(SHARED_BY, SHARED * finished.length)));
  }

  // What all share, by the gravest of them; a command that sets a value for a frame sets it for the job here.
  function sharedCard(all, finished) {
    const [{ frame, one }] = [...all].sort((a, b) => b.frame.doubt - a.frame.doubt);
    const command = one.command[1] === "set" ? [...one.command.slice(0, 3), panopipe.review.whole, ...one.command.slice(4)] : one.command;
    return make("li", { class: "doubt job" }, make("div", { class: "says" },
      make("h3", {}, `${one.title}: ${all.length} of ${many(finished, "frame", "frames")}`),
      make("p", { class: "sentence" }, `Nearly all frames share it, so look at one and set it for the job. Of ${panopipe.nameOf(frame)}: ${one.sentence}`),
      make("p", { class: "remedy" }, one.remedy), command.length ? panopipe.command(command) : "",
      panopipe.accepting({ accept: one.accept.length ? [...one.accept.slice(0, 3), panopipe.review.whole, one.check] : [] })));
  }

  function doubtCard(frame, worst, shared, loading) {
    const name = make("h3", {}, panopipe.nameOf(frame), " ", panopipe.badge(frame));
    return make("li", { class: `doubt ${frame.state}` },
      opener(frame, () => worst, "picture", thumbnail(frame, loading), make("span", { class: "unseen" }, `Open ${panopipe.nameOf(frame)}`)),
      make("div", { class: "says" }, name, panopipe.findingsOf(frame, shared)));
  }

  // Frames beyond the first, by what is gravest about them, each group folded.
  function folded(frames, worst, shared) {
    const groups = new Map();
    for (const frame of frames) {
      const open = frame.findings.filter((one) => panopipe.isOpen(one) && !shared.has(one.check));
      const title = frame.error ? "Failed" : open.length ? open[0].title : "Other";
      groups.set(title, [...(groups.get(title) || []), frame]);
    }
    return [...groups].map(([title, some]) => make("li", { class: "group" }, make("details", {},
      make("summary", {}, `${title}: ${many(some.length, "more frame", "more frames")}`),
      make("ol", { class: "doubts" }, ...some.map((frame) => doubtCard(frame, worst, shared, "lazy"))))));
  }

  function doubts(review) {
    const list = byId("doubt-list"), found = sharedChecks(review), shared = new Set(found.keys());
    const finished = review.frames.filter((one) => one.state === "fine" || one.state === "look").length;
    for (const all of found.values()) list.append(sharedCard(all, finished));
    const worst = review.frames.filter(doubted).sort((a, b) => b.doubt - a.doubt);
    const own = worst.filter((frame) => frame.error || frame.findings.some((one) => panopipe.isOpen(one) && !shared.has(one.check)));
    const first = own.length > MOST_OPEN ? own.slice(0, SHOWN_FIRST) : own;
    list.append(...first.map((frame) => doubtCard(frame, worst, shared, "eager")), ...folded(own.slice(first.length), worst, shared));
    const waiting = review.frames.filter((frame) => frame.state === "waiting");
    if (waiting.length) {
      list.append(make("li", { class: "doubt job" }, make("div", { class: "says" }, make("h3", {}, `${many(waiting.length, "frame", "frames")} not run yet`),
        make("p", { class: "remedy" }, waiting.slice(0, 6).map(panopipe.nameOf).join(", ") + (waiting.length > 6 ? " and others" : "")),
        panopipe.command(["panopipe", "run", "JOB"]))));
    }
    for (const one of review.findings.filter(panopipe.isOpen)) {
      list.append(make("li", { class: "doubt job" }, make("div", { class: "says" },
        make("h3", {}, one.title), make("p", { class: "sentence" }, one.sentence), make("p", { class: "remedy" }, one.remedy),
        one.command.length ? panopipe.command(one.command) : "", panopipe.accepting(one))));
    }
    if (list.querySelector("code:not(details code)") || worst.some((frame) => frame.state === "failed")) {
      list.after(make("p", { class: "hint then" }, "After a value was set or an original was mended, run the job; only what changed is made again:"),
        panopipe.command(["panopipe", "run", "JOB"]));
    }
    list.after(panopipe.acceptedOf(review.findings));
    if (!list.children.length) {
      list.replaceWith(make("p", { class: "calm" }, "No check has a doubt about any frame. Look through them once all the same: mirrors, people and screens are for your eyes."));
    }
  }

  function card(frame, walk) {
    const first = frame.error || (frame.findings.find(panopipe.isOpen) || { sentence: "" }).sentence;
    return make("li", { class: `card ${frame.state}` }, opener(frame, walk, "open",
      thumbnail(frame, "lazy"),
      make("span", { class: "line" }, make("span", { class: "name" }, frame.name), panopipe.badge(frame)),
      first ? make("span", { class: "first" }, first) : ""));
  }

  function arrange() {
    const { order, show } = Object.fromEntries(new FormData(byId("choices")));
    const chosen = panopipe.review.frames.filter((one) => show === "all" || doubted(one));
    const groups = new Map();
    if (order === "doubt") groups.set("By doubt", [...chosen].sort((a, b) => b.doubt - a.doubt));
    else for (const frame of chosen) groups.set(frame.room, [...(groups.get(frame.room) || []), frame]);
    const walk = [...groups.values()].flat();
    const sections = [...groups].map(([name, frames], place) => {
      const calm = frames.every((one) => one.state === "fine");
      const head = make("h3", { id: `room-${place}` }, name || "Frames without a room",
        make("span", { class: "count" }, ` ${many(frames.length, "frame", "frames")}${calm ? ", all fine" : ""}`));
      const section = make("section", { class: "room", "aria-labelledby": `room-${place}` }, head,
        make("ul", { class: "cards" }, ...frames.map((frame) => card(frame, () => walk))));
      section.style.setProperty("--frames", frames.length);
      return section;
    });
    byId("rooms").replaceChildren(...(sections.length ? sections : [make("p", { class: "calm" }, "No frame wants a look.")]));
    panopipe.say(`${many(chosen.length, "frame", "frames")} shown`);
  }

  function white(review) {
    const frames = review.neutrals.frames;
    if (!frames.length) {
      byId("white").remove();
      return;
    }
    const names = new Map(review.frames.map((one) => [one.id, panopipe.nameOf(one)]));
    const figure = make("figure", {}, make("div", { class: "plot-box", tabindex: "0", role: "region", "aria-label": "Plot of whites" }, panopipe.neutralsPlot(review.neutrals, names)), make("figcaption", {},
      make("span", { class: "key before", "aria-hidden": "true" }), "before ", make("span", { class: "key after", "aria-hidden": "true" }), "after. ",
      "Each frame's white as the balance stage saw it. The solid line is the colour of lamps (a glowing body), the dashed one that of daylight. Whites that match lie on one another."));
    const cell = (point) => (point ? `${point[0].toFixed(4)}, ${point[1].toFixed(4)}` : "–");
    const table = panopipe.table("White of each frame, u′ v′", ["Frame", "Before", "After"],
      frames.map((one) => [names.get(one.id), cell(one.before), cell(one.after)]));
    byId("neutrals").append(figure, make("details", {}, make("summary", {}, "The same as a table"), table));
  }

  function times(review) {
    const sums = new Map();
    for (const frame of review.frames) {
      for (const one of frame.seconds) sums.set(one.stage, (sums.get(one.stage) || 0) + one.seconds);
    }
    const whole = [...sums.values()].reduce((a, b) => a + b, 0);
    if (!whole) {
      byId("times").remove();
      return;
    }
    byId("time-table").append(panopipe.table("Seconds of processor time by stage, all frames", ["Stage", "Seconds", "Share"],
      [...sums].map(([stage, seconds]) => [stage, seconds.toFixed(1), `${Math.round(100 * seconds / whole)} %`])));
  }

  panopipe.data = function (review) {
    panopipe.review = review;
    document.title = `${review.title || "Review"}: review`;
    byId("title").textContent = review.title || "Review";
    byId("summary").textContent = summary(review);
    doubts(review);
    arrange();
    byId("choices").addEventListener("change", arrange);
    byId("choices").addEventListener("submit", (event) => event.preventDefault());
    if (!panopipe.map(review, byId("plan"))) byId("map").remove();
    white(review);
    times(review);
    document.querySelector(".cautions").append(
      make("p", { class: "hint then" }, "When nothing wants a look any more, hand the pictures over, with a statement of what was done to each:"),
      panopipe.command(["panopipe", "deliver", "JOB"]));
    const finished = review.frames.filter((one) => one.finished);
    byId("two").hidden = finished.length < 2;
    byId("two").addEventListener("click", () => panopipe.openPair(finished));
    panopipe.prepareDialog();
    // On paper nothing can be unfolded.
    window.addEventListener("beforeprint", () => { for (const one of document.querySelectorAll("#doubts .group > details")) one.open = true; });
    const wanted = review.frames.find((one) => `#frame-${one.id}` === location.hash);
    if (wanted) panopipe.openFrame(wanted, review.frames, document.body);
    document.documentElement.dataset.ready = "true";
    performance.mark("interactive");
  };
})(window.panopipe);
