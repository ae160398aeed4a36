// What stands under one opened person: reasons, faces, the face looked at, the mask, a note.

import { allow, button, make, say } from "./dom.js";
import { Faces } from "./faces.js";
import { MaskControls } from "./mask.js";
import { barred, faceWords, frameName, hundred, source } from "./wording.js";

const NOTE_MS = 800;
const MOST_NOTE = 2000;

export class PersonPanel {
  /** `server` is told of changes; `agree()` goes on to the next person. */
  constructor(id, server, brush, { agree, brushed }) {
    this.id = id;
    this.server = server;
    const change = (action, meant) => server.change(action, { meant });
    this.change = change;
    this.faces = new Faces(`Faces of ${id}`, { take: (face) => this.take(face), look: () => this.#about(), dwell: () => this.#dwell() });
    this.mask = new MaskControls(change, brush, brushed);
    this.reasons = make("ul", { class: "reasons" });
    this.source = make("p");
    this.own = button("Base's own head", () => this.keep(), { "aria-pressed": "false" });
    this.free = button("Program's choice", () => this.release(), { "aria-pressed": "true" });
    this.aboutName = make("h4", { tabindex: -1 });
    this.aboutWords = make("p");
    this.about = make("dl", { class: "facts" });
    const frame = () => this.faces.at;
    this.notHere = button("", () => {
      const on = this.faces.face?.forbidden;
      const name = frameName(this.state, frame());
      if (on) change({ allow_for: [id, frame()] }, `${name} allowed for ${id}`);
      else change({ forbid_for: [id, frame()] }, `${name} not for ${id}`);
    });
    this.notAtAll = button("", () => {
      const name = frameName(this.state, frame());
      if (this.state.forbidden.includes(frame())) change({ allow: frame() }, `${name} allowed again`);
      else change({ forbid: frame() }, `no heads from ${name}`);
    });
    this.asBase = button("Make it the base", () => {
      change({ base: frame() }, `${frameName(this.state, frame())} as the base`);
    });
    this.note = make("textarea", { rows: 2, maxlength: MOST_NOTE, id: `note-${id}`, "data-note": id });
    this.note.addEventListener("input", () => {
      clearTimeout(this.later);
      this.later = setTimeout(() => this.keepNote(), NOTE_MS);
    });
    this.note.addEventListener("blur", () => this.keepNote());
    this.element = make(
      "div",
      { class: "open", id: `open-${id}` },
      this.source,
      this.reasons,
      make(
        "div",
        { class: "row decide" },
        button("Agree, go on", agree, { class: "strong" }),
        this.own,
        this.free,
      ),
      this.faces.element,
      make(
        "div",
        { class: "about" },
        this.aboutName,
        this.aboutWords,
        this.about,
        make("div", { class: "row" }, this.notHere, this.notAtAll, this.asBase),
      ),
      this.mask.element,
      make("label", { for: `note-${id}` }, "Needs retouching: what to do"),
      this.note,
    );
  }

  update(state, person) {
    const same = this.person === person && this.state.base === state.base && this.state.forbidden === state.forbidden;
    this.state = this.mask.state = this.faces.state = state;
    if (same) return;
    this.person = person;
    const from = source(state, person).replace(/^./, (first) => first.toUpperCase());
    // Who has chosen it themselves knows why.
    const why = person.forced || person.kept ? "" : person.why;
    say(this.source, why ? `${from}. ${why}` : `${from}.`);
    if (this.reasons.dataset.told !== person.reasons.join("\n")) {
      this.reasons.dataset.told = person.reasons.join("\n");
      this.reasons.replaceChildren(...person.reasons.map((reason) => make("li", {}, reason)));
    }
    this.reasons.hidden = !person.reasons.length;
    // Both stay: a button that went away would take the focus with it, and move the faces.
    this.own.setAttribute("aria-pressed", String(person.kept));
    this.free.setAttribute("aria-pressed", String(!(person.kept || person.forced)));
    this.faces.update(state, person);
    this.mask.update(state, person);
    // What is being written is never overwritten; what was told stays until it comes back.
    if (this.sent === undefined || this.note.value === this.sent) this.note.value = this.sent = person.note;
    this.#about();
  }

  take(face) {
    const name = frameName(this.state, face.frame);
    if (barred(this.state, face)) {
      this.server.dispatchEvent(
        new CustomEvent("refused", { detail: { error: `${name} is not allowed for ${this.id}: allow it first.` } }),
      );
      return;
    }
    if (face.frame === this.person.pick && (this.person.forced || this.person.kept)) return;
    this.faces.busy(face.frame);
    this.change({ take: [this.id, face.frame] }, `${this.id} from ${name}`).finally(() => this.faces.busy(null));
  }

  keep() {
    if (!this.person.kept) this.change({ keep: this.id }, `${this.id} as in the base`);
  }

  release() {
    if (this.person.kept || this.person.forced) this.change({ release: this.id }, `the program's choice for ${this.id}`);
  }

  /** Make the present pick the user's own, so that it stays whatever else changes. */
  agree() {
    const { person, state } = this;
    if (person.kept || person.forced) return;
    if (person.from_base) this.keep();
    else this.change({ take: [this.id, person.pick] }, `${this.id} from ${frameName(state, person.pick)}`);
  }

  /** Tell the program the note as it stands, if it is another one. */
  keepNote() {
    const action = this.unsent();
    if (!action) return;
    this.sent = this.note.value;
    this.change(action, `the note for ${this.id}`);
  }

  /** The change that a note not yet told would be, or null. */
  unsent() {
    clearTimeout(this.later);
    return this.note.value === this.sent ? null : { note: [this.id, this.note.value] };
  }

  #dwell() {
    this.aboutName.focus({ preventScroll: true });
    this.aboutName.parentElement.scrollIntoView({ block: "nearest" });
  }

  #about() {
    const face = this.faces.face;
    this.element.querySelector(".about").hidden = !face;
    if (!face) return;
    const { state, id } = this;
    say(this.aboutName, frameName(state, face.frame));
    say(this.aboutWords, faceWords(face));
    const rows = [
      ["Score", face.score],
      ["Eyes", face.eyes],
      ["Sharpness", face.sharpness],
      ["Expression", face.expression],
    ];
    const told = JSON.stringify(rows);
    if (this.about.dataset.told !== told) {
      this.about.dataset.told = told;
      const cells = rows.map(([name, value]) => make("div", {}, make("dt", {}, name), make("dd", {}, hundred(value))));
      this.about.replaceChildren(...cells);
    }
    say(this.notHere, face.forbidden ? `Allow for ${id}` : `Not for ${id}`);
    say(this.notAtAll, state.forbidden.includes(face.frame) ? "Allow for everybody" : "Not for anybody");
    allow(this.notAtAll, face.frame !== state.base);
    allow(this.asBase, face.frame !== state.base);
  }
}
