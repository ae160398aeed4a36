// The faces of one person as a grid, the best first: one stop of the Tab key, arrows inside.

import { button, make, say } from "./dom.js";
import { barred, faceAddress, faceSentence, faceWords, frameName, hundred } from "./wording.js";

/** As many are shown at first: whole rows of two, three, four and six. */
const FIRST = 12;

export class Faces {
  /** `take(face)`: it was clicked; `look()`: another is looked at; `dwell()`: more is to be said of it. */
  constructor(label, { take, look, dwell }) {
    this.list = make("ul", { class: "faces", "aria-label": label });
    this.list.addEventListener("keydown", (event) => this.#key(event));
    this.take = take;
    this.look = look;
    this.dwell = dwell;
    this.cards = [];
    this.rest = button("", () => this.#more());
    this.turn = button("", () => this.#reorder());
    this.element = make("div", { class: "choice" }, this.list, make("div", { class: "row" }, this.rest, this.turn));
  }

  /** The frame the keys are on, or null. */
  at = null;
  #known = new Map();
  #whole = false;
  /** Frames that are shown beside the first ones; who was seen once does not vanish. */
  #extra = new Set();
  static #taken = false;

  update(state, person) {
    this.state = state;
    this.person = person;
    this.#all();
  }

  #all() {
    const { person } = this;
    const frames = person.faces.map((face) => face.frame);
    if (!frames.includes(this.at)) this.at = frames.includes(person.pick) ? person.pick : (frames[0] ?? null);
    this.#build();
    for (const face of person.faces) {
      const card = this.#known.get(face.frame);
      if (card) this.#show(card, face);
    }
  }

  /** The face the keys are on. */
  get face() {
    return this.person.faces.find((face) => face.frame === this.at) ?? null;
  }

  /** Move the keys by so many faces, and the focus with them. */
  step(by) {
    const n = this.cards.findIndex((card) => card.frame === this.at);
    this.#go(Math.min(this.cards.length - 1, Math.max(0, n + by)));
  }

  busy(frame) {
    for (const card of this.cards) {
      const on = card.frame === frame;
      if (on) card.button.setAttribute("aria-busy", "true");
      else card.button.removeAttribute("aria-busy");
      if (on) say(card.word, "being set in …");
    }
    if (frame === null) this.#all();
  }

  #build() {
    const { person, state } = this;
    const best = person.faces.toSorted((a, b) => (b.score ?? -1) - (a.score ?? -1));
    const first = new Set(best.slice(0, this.#whole ? best.length : FIRST));
    this.#extra.add(person.pick).add(state.base).add(this.at);
    const ordered = Faces.#taken ? person.faces : best;
    const shown = ordered.filter((face) => first.has(face) || this.#extra.has(face.frame));
    const left = person.faces.length - shown.length;
    this.rest.hidden = !left;
    say(this.rest, left === 1 ? "Show the other face" : `Show the other ${left} faces`);
    this.turn.hidden = person.faces.length < 3;
    say(this.turn, Faces.#taken ? "Best first" : "As taken");
    const key = shown.map((face) => face.frame).join();
    if (key === this.key) return;
    this.key = key;
    const held = this.list.contains(document.activeElement);
    for (const face of shown) if (!this.#known.has(face.frame)) this.#known.set(face.frame, this.#card(face));
    this.cards = shown.map((face) => this.#known.get(face.frame));
    this.list.replaceChildren(...this.cards.map((card) => card.item));
    if (held) this.cards.find((card) => card.frame === this.at)?.button.focus();
  }

  #more() {
    const seen = new Set(this.cards);
    this.#whole = true;
    this.#all();
    // The button that was pressed is gone: the first face that came takes the focus.
    this.cards.find((card) => !seen.has(card))?.button.focus();
  }

  #reorder() {
    Faces.#taken = !Faces.#taken;
    this.#all();
  }

  #card(face) {
    const { id } = this.person;
    const card = { frame: face.frame };
    card.word = make("span", { class: "word" });
    card.score = make("span", { class: "score" });
    card.words = make("span", { class: "words" });
    const src = faceAddress(id, face.frame);
    const image = make("img", { src, alt: "", width: 320, height: 400, loading: "lazy", decoding: "async" });
    const clip = make("span", { class: "clip" }, image);
    const name = make("span", { class: "name" }, frameName(this.state, face.frame).replace(/[.][^.]+$/, ""));
    card.button = make("button", { type: "button", class: "face" }, card.word, clip, name, card.score, " ", card.words);
    card.button.addEventListener("click", () => this.take(this.person.faces.find((f) => f.frame === face.frame)));
    card.button.addEventListener("focus", () => this.#attend(face.frame));
    const only = () => (this.#attend(face.frame), this.dwell());
    card.more = button(make("span", { "aria-hidden": "true" }, "…"), only, { class: "peek", tabindex: -1, "aria-label": `About ${frameName(this.state, face.frame)}, without taking it` });
    card.item = make("li", {}, card.button, card.more);
    return card;
  }

  #show(card, face) {
    const { state, person } = this;
    const [chosen, base, no] = [face.frame === person.pick, face.frame === state.base, barred(state, face)];
    card.button.setAttribute("aria-pressed", String(chosen));
    card.button.setAttribute("aria-label", faceSentence(state, person, face));
    card.button.tabIndex = card.frame === this.at ? 0 : -1;
    card.button.classList.toggle("base", base);
    card.button.classList.toggle("barred", no);
    card.button.classList.toggle("at", card.frame === this.at);
    if (!card.button.hasAttribute("aria-busy")) {
      const words = [chosen && "✓ chosen", base && "base", no && "✗ not allowed"].filter(Boolean);
      say(card.word, words.join(" · "));
    }
    say(card.score, hundred(face.score));
    say(card.words, faceWords(face, 1));
  }

  #attend(frame) {
    this.at = frame;
    for (const card of this.cards) {
      card.button.tabIndex = card.frame === frame ? 0 : -1;
      card.button.classList.toggle("at", card.frame === frame);
    }
    this.look();
  }

  #go(n) {
    const card = this.cards[n];
    if (!card) return;
    card.button.focus();
    card.button.scrollIntoView({ block: "nearest" });
  }

  #key(event) {
    const columns = this.cards.filter((c) => c.button.offsetTop === this.cards[0].button.offsetTop).length;
    const by = { ArrowLeft: -1, ArrowRight: 1, ArrowUp: -columns, ArrowDown: columns, Home: -Infinity, End: Infinity }[
      event.key
    ];
    if (!by || event.ctrlKey || event.altKey || event.metaKey) return;
    event.preventDefault();
    const n = this.cards.findIndex((card) => card.frame === this.at) + by;
    if (n >= 0 && n < this.cards.length) this.#go(n);
    else if (!Number.isFinite(by)) this.#go(by < 0 ? 0 : this.cards.length - 1);
  }
}
