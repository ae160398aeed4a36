// All that is known comes from the program on this machine, and every change is told to it at once.

const HEADERS = { "Content-Type": "application/json", "X-Facemerge": "1" };
const PAUSES_MS = [500, 1000, 2000, 5000];

export class Server extends EventTarget {
  /** The newest state the program has told, or null before the first. */
  state = null;
  /** How many changes wait for an answer. */
  open = 0;
  #turn = Promise.resolve();
  #waiting = null;

  async start() {
    this.#accept(await this.#read());
    this.#follow();
  }

  /**
   * Ask for one change. Changes go one after the other, so that each is made on what the last one left.
   * Resolves to true if it was made. Events: "busy" when asked, "settled" when answered; "conflict" if another
   * page was quicker, "refused" with the program's sentence, "lost" if nobody answers.
   */
  change(action, { meant = "" } = {}) {
    this.open += 1;
    this.#tell("busy", { action, meant });
    const made = this.#turn.then(() => this.#change(action, meant));
    this.#turn = made.then(() => undefined);
    return made.finally(() => {
      this.open -= 1;
      this.#tell("settled", { action });
    });
  }

  async save() {
    // What is still being told is part of what is saved.
    await this.#turn;
    try {
      const answer = await this.#post("api/save", { version: this.state.version });
      const told = await answer.json().catch(() => ({}));
      if (answer.status === 409) this.#tell("conflict", { action: null, before: this.state, meant: "", now: told });
      else if (!answer.ok) this.#tell("refused", { error: told.error });
      if (told.version) this.#accept(told);
      if (answer.ok) this.#accept(await this.#read());
    } catch {
      this.#tell("lost", { action: null, meant: "" });
    }
  }

  /** Hand over a change while the page closes: the answer will not be seen. */
  leave(action) {
    const body = JSON.stringify({ version: this.state.version, do: action });
    fetch("api/change", { method: "POST", headers: HEADERS, body, keepalive: true }).catch(() => undefined);
  }

  async #change(action, meant) {
    const before = this.state;
    let answer;
    try {
      answer = await this.#post("api/change", { version: before.version, do: action });
    } catch {
      this.#tell("lost", { action, meant });
      return false;
    }
    const told = await answer.json().catch(() => ({}));
    if (answer.ok) {
      this.#accept(told);
      return true;
    }
    if (answer.status === 409) {
      this.#accept(told);
      this.#tell("conflict", { action, meant, before, now: this.state });
    } else this.#tell("refused", { error: told.error, meant });
    return false;
  }

  async #read() {
    return (await fetch("api/state")).json();
  }

  #post(path, body) {
    return fetch(path, { method: "POST", headers: HEADERS, body: JSON.stringify(body) });
  }

  // The program holds each question until there is news, so that two open pages follow each other.
  async #follow() {
    let failed = 0;
    for (;;) {
      const asked = new AbortController();
      this.#waiting = asked;
      try {
        // Files being written change no version: the end of it must not fall between two questions.
        const known = `version=${this.state.version}&saving=${this.state.saving ? 1 : 0}`;
        const answer = await fetch(`api/wait?${known}`, { signal: asked.signal });
        if (!answer.ok) throw new Error(String(answer.status));
        this.#accept(await answer.json());
        if (failed) this.#tell("found", {});
        failed = 0;
      } catch {
        if (asked.signal.aborted) continue;
        if (failed === 1) this.#tell("lost", { action: null, meant: "" });
        await new Promise((done) => setTimeout(done, PAUSES_MS[Math.min(failed, PAUSES_MS.length - 1)]));
        failed += 1;
      }
    }
  }

  #accept(state) {
    // An answer that was overtaken by a newer one says nothing new.
    if (this.state && state.version < this.state.version) return;
    const before = this.state;
    this.state = state = before ? sharing(before, state) : state;
    const other = before && (state.version !== before.version || state.saving !== before.saving);
    if (other) this.#waiting?.abort();
    const same = before && Object.keys(state).every((name) => before[name] === state[name]);
    if (!same) this.#tell("state", { before, state });
  }

  #tell(name, detail) {
    this.dispatchEvent(new CustomEvent(name, { detail }));
  }
}

const told = new WeakMap();

function asText(value) {
  if (typeof value !== "object" || value === null) return JSON.stringify(value);
  if (!told.has(value)) told.set(value, JSON.stringify(value));
  return told.get(value);
}

/** A state whose parts are the very same objects as before where they say the same: what is unchanged is not shown anew. */
function sharing(before, state) {
  const kept = (old, now) => (asText(old) === asText(now) ? old : now);
  const known = new Map(before.people.map((person) => [person.id, person]));
  const people = state.people.map((person) => kept(known.get(person.id), person));
  const same = people.length === before.people.length && people.every((person, n) => person === before.people[n]);
  const parts = Object.entries({ ...state, people: null }).map(([name, value]) => [name, kept(before[name], value)]);
  return { ...Object.fromEntries(parts), people: same ? before.people : people };
}
