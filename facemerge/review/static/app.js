// The review page: joins the program's state, the list of people, the picture and the keys.

import { Brush } from "./brush.js";
import { allow, button, byId, make, say } from "./dom.js";
import { Frames } from "./frames.js";
import { Keys } from "./keys.js";
import { People } from "./people.js";
import { PersonPanel } from "./person.js";
import { heart, Picture } from "./picture.js";
import { Server } from "./server.js";
import { changes, filesLine, summary } from "./wording.js";

const CLOSE_PX = 320;
const WAYS = ["now", "was", "divided", "turns", "difference"];
const SIZES = ["fit", 1, 2];

const server = new Server();
const picture = new Picture();
const brush = new Brush(picture);
const change = (action, meant) => server.change(action, { meant });
const frames = new Frames(change);
const people = new People((id) => open(id, { moved: false }));

let opened = null;
/** The version of the state that the close-up shows. */
let closeOf = null;
let panel = null;

const person = (id = opened) => server.state.people.find((other) => other.id === id) ?? null;

/** Open a person, or nobody; `moved` says that the focus and the view go along. */
function open(id, { moved = true } = {}) {
  const other = id !== opened;
  if (other) {
    panel?.keepNote();
    panel?.mask.take("");
    panel?.element.remove();
    opened = id;
    panel = id && new PersonPanel(id, server, brush, { agree, brushed });
  }
  show();
  if (!id) return;
  if (other) byId("close-up").hidden = true;
  if (picture.zoom !== "fit") picture.look(picture.zoom, heart(person()));
  if (moved) people.focus(id);
  else if (other) people.reveal(id);
}

function show() {
  const { state } = server;
  if (opened && !person()) {
    opened = panel = null;
  }
  say(byId("summary"), summary(state));
  say(byId("files"), filesLine(state));
  document.title = `${summary(state)} – review`;
  allow(byId("save"), !state.saving);
  for (const name of ["undo", "redo"]) {
    const words = name === "undo" ? "Undo" : "Redo";
    allow(byId(name), state[name]);
    byId(name).title = state[name] ?? "";
    byId(name).setAttribute("aria-label", state[name] ? `${words}: ${state[name]}` : words);
  }
  if (closeOf !== state.version) byId("close-up").hidden = true;
  allow(byId("next-weak"), state.people.some((other) => other.weak.length));
  panel?.update(state, person());
  people.update(state, opened, panel);
  frames.update(state);
  return picture.update(state, person());
}

let maskWasDrawn = null;

function brushed(mode) {
  // Who paints sees the mask; afterwards it is drawn or not as it was before.
  if (!mode && maskWasDrawn !== null) {
    byId("draw-mask").checked = maskWasDrawn;
    maskWasDrawn = null;
    picture.draw();
  }
  if (mode && picture.zoom === "fit") picture.look(1, heart(person()));
  if (mode && ["was", "turns", "difference"].includes(picture.way)) picture.show("now");
  if (mode) {
    maskWasDrawn ??= byId("draw-mask").checked;
    byId("draw-mask").checked = true;
    picture.draw();
    picture.stage.focus({ preventScroll: true });
    say(byId("said"), `${mode === "paint" ? "Painting" : "Erasing"}: arrows move the brush, Enter puts it down.`);
  }
}

/** Go by so many people along the list. */
function step(by) {
  const n = people.order.indexOf(opened);
  const next = people.order[n < 0 ? (by > 0 ? 0 : people.order.length - 1) : n + by];
  if (next) open(next);
  else say(byId("said"), by > 0 ? "That was the last person." : "That was the first person.");
}

function agree() {
  if (!panel) return;
  panel.agree();
  step(1);
}

function nextWeak() {
  const all = people.order.flatMap((id) => (person(id)?.weak ?? []).map((at, n) => ({ id, n })));
  if (!all.length) return;
  const looking = picture.zoom === "fit" ? -1 : picture.place;
  const later = ({ id, n }) =>
    id === opened ? n > looking : people.order.indexOf(id) > people.order.indexOf(opened);
  const next = all.find(later) ?? all[0];
  open(next.id, { moved: false });
  picture.look(picture.zoom === "fit" ? 1 : picture.zoom, person().weak[next.n], next.n);
  const count = person().weak.length;
  const which = next.n ? `weak place ${next.n + 1}` : "the weakest place";
  const words = `${next.id}, ${which}${count > 1 ? ` of ${count}` : ""}: ${person().weak_words[next.n]}.`;
  say(byId("said"), words);
  closeUp(person().weak[next.n], person().weak_donors[next.n], words);
}

/** Show a place of the base, of somebody's donor and of the composite side by side, each pixel as it is. */
function closeUp([x, y], donor, words) {
  const figure = byId("close-up");
  const { state } = server;
  closeOf = state.version;
  const side = Math.min(CLOSE_PX, ...state.size);
  const [left, top] = [x, y].map((at, n) => Math.round(Math.min(Math.max(at - side / 2, 0), state.size[n] - side)));
  for (const image of figure.querySelectorAll("img")) {
    image.src = `api/part/${state.version}/${image.dataset.what}.jpg?x=${left}&y=${top}&w=${side}&h=${side}&zoom=1&person=${donor}`;
  }
  say(figure.querySelector(":scope > figcaption"), words);
  figure.hidden = false;
}

function cycle(list, now, by = 1) {
  return list[(list.indexOf(now) + by + list.length) % list.length];
}

function zoom(by) {
  const next = SIZES[SIZES.indexOf(picture.zoom) + by];
  if (next) picture.look(next);
}

function tick(id) {
  byId(id).click();
}

/** Say something that needs an answer, or at least to be seen. */
function notice(words, points = [], ...presses) {
  const from = document.activeElement;
  const done = () => {
    const held = byId("notice").contains(document.activeElement);
    byId("notice").replaceChildren();
    if (held) (from.isConnected && from !== document.body ? from : picture.stage).focus({ preventScroll: true });
  };
  const row = presses.map(([label, press]) => button(label, () => (done(), press())));
  byId("notice").replaceChildren(
    make(
      "div",
      { class: "notice" },
      make("p", {}, words),
      points.length ? make("ul", {}, ...points.map((point) => make("li", {}, point))) : null,
      make("div", { class: "row" }, ...row, button(row.length ? "Leave it" : "Seen", done)),
    ),
  );
}

server.addEventListener("state", async ({ detail: { before, state } }) => {
  if (state.problem && state.problem !== before?.problem) notice(state.problem);
  const shown = show();
  if (!before) return;
  const told = changes(before, state);
  if (told.length) say(byId("said"), told.join(" "));
  else if (state.saved !== before.saved || state.saving !== before.saving) say(byId("said"), filesLine(state));
  await shown;
});

const LONG_MS = 1500;
let latest = 0;
const COUNT_FROM_S = 4;
let long = 0;
let ticking = 0;
server.addEventListener("busy", ({ detail: { meant } }) => {
  latest += 1;
  byId("busy").hidden = false;
  picture.stage.setAttribute("aria-busy", "true");
  const words = meant ? `${meant} …` : "One moment …";
  const since = Date.now();
  say(byId("busy"), words);
  clearTimeout(long);
  clearInterval(ticking);
  long = setTimeout(() => say(byId("said"), words), LONG_MS);
  // Who waits long sees that it goes on.
  ticking = setInterval(() => {
    const seconds = Math.round((Date.now() - since) / 1000);
    if (seconds >= COUNT_FROM_S) say(byId("busy"), `${words} ${seconds} s`);
  }, 1000);
});

server.addEventListener("settled", async () => {
  brush.clear();
  const mine = latest;
  await show();
  if (server.open || mine !== latest) return;
  clearTimeout(long);
  clearInterval(ticking);
  byId("busy").hidden = true;
  picture.stage.removeAttribute("aria-busy");
});

server.addEventListener("conflict", ({ detail: { action, meant, before, now } }) => {
  const points = changes(before, now);
  const again = action ? [[`Do it all the same: ${meant}`, () => change(action, meant)]] : [["Save them now", save]];
  const lost = action ? `Not done: ${meant}.` : "The files were not saved.";
  notice(`Another page was quicker. ${lost}`, points, ...again);
});

server.addEventListener("refused", ({ detail: { error, meant } }) => {
  notice(error || `This could not be done${meant ? `: ${meant}` : ""}.`);
});

server.addEventListener("lost", ({ detail: { action, meant } }) => {
  const words = "The program on this machine does not answer. What it was told before is kept; start the review again if it stays away.";
  const again = action ? [[`Try again: ${meant || "the last change"}`, () => change(action, meant)]] : [];
  notice(action ? `${words} Not done: ${meant || "the last change"}.` : words, [], ...again);
});

server.addEventListener("found", () => byId("notice").replaceChildren());

brush.addEventListener("stroke", ({ detail }) => {
  change({ stroke: [opened, detail] }, `${detail.mode === "paint" ? "more" : "less"} of ${opened}`);
});

brush.addEventListener("pick", ({ detail: [x, y] }) => {
  const there = server.state.people.find(({ box }) => x >= box[0] && x < box[2] && y >= box[1] && y < box[3]);
  if (there && there.id !== opened) open(there.id);
});

function save() {
  if (server.state.saving) return;
  panel?.keepNote();
  server.save();
}

const undo = () => server.state.undo && change({ undo: true }, `undo ${server.state.undo}`);
const redo = () => server.state.redo && change({ redo: true }, `redo ${server.state.redo}`);
byId("undo").addEventListener("click", undo);
byId("redo").addEventListener("click", redo);
byId("save").addEventListener("click", save);
byId("next-weak").addEventListener("click", nextWeak);
byId("more").addEventListener("click", ({ currentTarget: press }) => {
  press.setAttribute("aria-expanded", String(press.getAttribute("aria-expanded") === "false"));
});

const keys = new Keys(byId("help"), byId("help").querySelector("dl"), byId("single"), [
  [["n"], "next person", () => step(1)],
  [["p"], "person before", () => step(-1)],
  [["ArrowRight", "ArrowDown"], "next face", () => panel?.faces.step(1)],
  [["ArrowLeft", "ArrowUp"], "face before", () => panel?.faces.step(-1)],
  [["t"], "take the face the keys are on (so does Enter)", () => panel?.faces.face && panel.take(panel.faces.face)],
  [["a"], "agree with the head as it is, and go on", agree],
  [["o"], "take the base's own head", () => panel?.keep()],
  [["g"], "take the program's choice", () => panel?.release()],
  [["u", "Ctrl+z"], "undo", undo],
  [["y", "Ctrl+y", "Ctrl+Shift+z"], "redo", redo],
  [["c"], "compare in the next way", () => picture.show(cycle(WAYS, picture.way))],
  [["Shift+c"], "compare in the way before", () => picture.show(cycle(WAYS, picture.way, -1))],
  [["i"], "in turn: show the other one", () => picture.way === "turns" && picture.turn()],
  [["+", "="], "larger", () => zoom(1)],
  [["-"], "smaller", () => zoom(-1)],
  [["w"], "next weak place", nextWeak],
  [["s"], "draw the seam, or not", () => tick("draw-line")],
  [["m"], "draw the mask, or not", () => tick("draw-mask")],
  [["."], "mask wider", () => panel?.mask.widen(1)],
  [[","], "mask narrower", () => panel?.mask.widen(-1)],
  [["h"], "paint more head", () => panel?.mask.take("paint")],
  [["e"], "erase it", () => panel?.mask.take("erase")],
  [["l"], "larger brush", () => panel?.mask.grow(5)],
  [["k"], "smaller brush", () => panel?.mask.grow(-5)],
  [["Ctrl+s"], "save the finished files", save],
  [["Escape"], "lay the brush down", () => panel?.mask.take("")],
  [["?"], "this sheet", () => keys.help()],
]);
byId("ask").addEventListener("click", () => keys.help());

// A note that is still being written is handed over when the page goes.
addEventListener("pagehide", () => {
  const action = panel?.unsent();
  if (action) server.leave(action);
});

server.start().catch(() => {
  say(byId("summary"), "The review cannot be read.");
  notice("The program on this machine does not answer: start the review again, and use the address it shows.");
});
