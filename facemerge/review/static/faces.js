// All faces of one person as a grid: one stop of the Tab key, arrows inside.

import { make, say } from "./dom.js";
import { barred, faceSentence, faceWords, frameName, hundred } from "./wording.js";

export class Faces {
  /** `take(face)`: it was clicked; `look(face)`: it is the one the keys are on. */
  constructor(label, { take, look }) {
    this.list = make("ul", { class: "faces", "aria-label": label });
    this.list.addEventListener("keydown", (event) => this.#key(event));
    this.take = take;
    this.look = look;
    this.cards = [];
  }

  /** The frame the keys are on, or null. */
  at = null;

  update(state, person) {
    this.state = state;
    this.person = person;
    const frames = person.faces.map((face) => face.frame);
    const key = `${state.base} ${frames.join()}`;
    if (key !== this.key) this.#build(key);
    if (!frames.includes(this.at)) this.at = frames.includes(person.pick) ? person.pick : (frames[0] ?? null);
    this.cards.forEach((card, n) => this.#show(card, person.faces[n]));
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
    if (frame === null && this.state) this.update(this.state, this.person);
  }

  #build(key) {
    this.key = key;
    const held = this.list.contains(document.activeElement);
    this.cards = this.person.faces.map((face) => this.#card(face));
    this.list.replaceChildren(...this.cards.map((card) => make("li", {}, card.button)));
    if (held) this.cards.find((card) => card.frame === this.at)?.button.focus();
  }

  #card(face) {
    const { id } = this.person;
    const card = { frame: face.frame };
    card.word = make("span", { class: "word" });
    card.score = make("span", { class: "score" });
    card.words = make("span", { class: "words" });
    const src = `api/face/${id}/${face.frame}/${this.state.base}.jpg`;
    const image = make("img", { src, alt: "", width: 240, height: 300, loading: "lazy", decoding: "async" });
    const name = make("span", { class: "name" }, frameName(this.state, face.frame).replace(/[.][^.]+$/, ""));
    card.button = make("button", { type: "button", class: "face" }, card.word, image, name, card.score, " ", card.words);
    card.button.addEventListener("click", () => this.take(this.person.faces.find((f) => f.frame === face.frame)));
    card.button.addEventListener("focus", () => this.#attend(face.frame));
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
    say(card.words, faceWords(face));
  }

  #attend(frame) {
    this.at = frame;
    for (const card of this.cards) {
      card.button.tabIndex = card.frame === frame ? 0 : -1;
      card.button.classList.toggle("at", card.frame === frame);
    }
    this.look(this.face);
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
