/** An adjudication sheet as plain values: what is entered, what is still open, which sentence a mark stands for. */

/**
 * @typedef {{from: number, to: number, descriptor: string}} Level
 * @typedef {{key: string, name: string, levels: Level[]}} Caption
 * @typedef {{low: number, high: number, captions: Caption[]}} Rubric
 * @typedef {{piece_id: string | null, bar: string | null, text: string}} Remark
 * @typedef {{marks: Record<string, Record<string, number>>, remarks: Remark[]}} SheetContent
 */

/** @returns {SheetContent} */
export function emptySheet() {
  return { marks: {}, remarks: [] };
}

/**
 * @param {Rubric} rubric
 * @returns {number[]} every mark there is, lowest first
 */
export function scale(rubric) {
  return Array.from({ length: rubric.high - rubric.low + 1 }, (_, index) => rubric.low + index);
}

/**
 * @param {Caption} caption
 * @param {number | undefined} mark
 * @returns {string} the sentence of the mark's level, "" without a mark
 */
export function descriptor(caption, mark) {
  if (mark === undefined) return "";
  return caption.levels.find((level) => level.from <= mark && mark <= level.to)?.descriptor ?? "";
}

/**
 * A new sheet with one mark set, or taken back when `mark` is undefined.
 * @param {SheetContent} sheet
 * @param {string} place piece id, or "all"
 * @param {string} caption key
 * @param {number | undefined} mark
 * @returns {SheetContent}
 */
export function withMark(sheet, place, caption, mark) {
  const row = { ...sheet.marks[place] };
  if (mark === undefined) delete row[caption];
  else row[caption] = mark;
  return { ...sheet, marks: { ...sheet.marks, [place]: row } };
}

/**
 * What keeps a sheet from being sent.
 * @param {Rubric} rubric
 * @param {{place: string, title: string}[]} places what is marked: every piece, or one place "all"
 * @param {SheetContent} sheet
 * @returns {{place: string, title: string, caption: string, name: string}[]}
 */
export function stillOpen(rubric, places, sheet) {
  return places.flatMap(({ place, title }) =>
    rubric.captions
      .filter((caption) => sheet.marks[place]?.[caption.key] === undefined)
      .map((caption) => ({ place, title, caption: caption.key, name: caption.name })),
  );
}

/**
 * What the button of an unfinished sheet says.
 * @param {ReturnType<typeof stillOpen>} open
 * @param {boolean} severalPieces
 * @returns {string}
 */
export function openSentence(open, severalPieces) {
  if (open.length === 0) return "";
  if (open.length === 1) {
    return severalPieces ? `${open[0].name} of ${open[0].title} still open` : `${open[0].name} still open`;
  }
  const titles = new Set(open.map((one) => one.title));
  if (severalPieces && titles.size === 1) return `${open.length} marks of ${open[0].title} still open`;
  if (open.length <= 2 && !severalPieces) return `${open.map((one) => one.name).join(" and ")} still open`;
  return `${open.length} marks still open`;
}
