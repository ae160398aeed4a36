// How the page says things. Pure: state in, words out.

export const FLAGS = {
  retouch: { word: "needs retouching", shape: "▲" },
  inspect: { word: "look closely", shape: "◆" },
  clear: { word: "clear", shape: "○" },
};

const count = (number, one, many) => `${number} ${number === 1 ? one : many}`;

export const hundred = (share) => (typeof share === "number" ? String(Math.round(100 * share)) : "unknown");

export function frameName(state, index) {
  return state.frames.find((frame) => frame.index === index)?.name ?? `frame ${index}`;
}

/** The whole review in one line. */
export function summary(state) {
  const of = (flag) => state.people.filter((person) => person.flag === flag).length;
  const swapped = state.people.filter((person) => !person.from_base).length;
  const parts = [
    count(state.people.length, "person", "people"),
    swapped ? `${count(swapped, "head", "heads")} changed` : "no head changed",
  ];
  if (of("retouch")) parts.push(`${of("retouch")} ${of("retouch") === 1 ? "needs" : "need"} retouching`);
  if (of("inspect")) parts.push(`${of("inspect")} to look at`);
  return parts.join(", ");
}

/** Where a person's head is from, and who said so. */
export function source(state, person) {
  const name = frameName(state, person.pick);
  if (person.kept) return "own head of the base, kept by you";
  if (person.from_base) return `own head of the base${person.forced ? ", taken by you" : ""}`;
  return `head from ${name}${person.forced ? ", taken by you" : ""}`;
}

/** Where a face's picture is; it is the same whatever the base. */
export const faceAddress = (id, frame) => `api/face/${id}/${frame}/0.jpg`;

/** What speaks against a face, most important first, or that nothing does. */
export function faceWords(face, most = Infinity) {
  if (face.words.length) return face.words.slice(0, most).join(", ");
  if (face.score === null || face.score === undefined) return "cannot be told";
  return face.score >= 0.85 ? "no fault" : face.score >= 0.6 ? "a little weaker" : "weak";
}

/** A face as one sentence for those who hear it. */
export function faceSentence(state, person, face) {
  const marks = [];
  if (face.frame === person.pick) marks.push("chosen");
  if (face.frame === state.base) marks.push("the base");
  if (barred(state, face)) marks.push("not allowed");
  const said = marks.length ? `${marks.join(", ")}; ` : "";
  return `${frameName(state, face.frame)}: ${said}score ${hundred(face.score)} of 100, ${faceWords(face)}`;
}

/** How a mask differs in width from the computed one. */
export const wider = (px) => (px ? `${Math.abs(px)} px ${px > 0 ? "wider" : "narrower"}` : "as computed");

export const barred = (state, face) => face.forbidden || state.forbidden.includes(face.frame);

/** What came from elsewhere between two states, in sentences. */
export function changes(before, now) {
  const told = [];
  if (before.base !== now.base) told.push(`The base is now ${frameName(now, now.base)}.`);
  for (const index of now.forbidden.filter((i) => !before.forbidden.includes(i))) {
    told.push(`${frameName(now, index)} gives no head any more.`);
  }
  for (const index of before.forbidden.filter((i) => !now.forbidden.includes(i))) {
    told.push(`${frameName(now, index)} may give heads again.`);
  }
  const known = new Map(before.people.map((person) => [person.id, person]));
  for (const person of now.people) {
    const old = known.get(person.id);
    if (!old || old === person) continue;
    if (old.pick !== person.pick || old.kept !== person.kept || old.from_base !== person.from_base) {
      told.push(`${person.id}: ${source(now, person)}.`);
    } else if (old.widen_px !== person.widen_px || old.strokes !== person.strokes) {
      told.push(`The mask of ${person.id}: ${wider(person.widen_px)}${person.strokes ? ", painted by hand" : ""}.`);
    }
    for (const face of person.faces) {
      const was = old.faces.find((other) => other.frame === face.frame);
      if (!was || was.forbidden === face.forbidden) continue;
      told.push(`${frameName(now, face.frame)} is ${face.forbidden ? "not " : ""}allowed for ${person.id}.`);
    }
    if (old.note !== person.note) {
      told.push(person.note ? `Note for ${person.id}: ${person.note}` : `No note for ${person.id} any more.`);
    }
    if (old.flag !== person.flag) told.push(`${person.id} is now marked: ${FLAGS[person.flag].word}.`);
  }
  return told;
}

/** Whether the finished files hold what is on the screen. */
export function filesLine(state) {
  if (state.saving) {
    return typeof state.saving === "string" ? `Saving the files: ${state.saving}` : "Saving the files …";
  }
  if (state.saved) return "The finished files are up to date.";
  const last = state.undo ? `, the last: ${state.undo}` : "";
  return `Your decisions are kept${last}. The finished files do not show them yet.`;
}
