// Words of the program as the room shows them.

// With the minus sign that levels have on all pages, where a hyphen is no part of a word, a date or a range; a number and
// its dB stay in one line.
export function said(words) {
  return words.replace(/(^|[\s([,:/])-(?=\d)/g, "$1−").replace(/(\d) dB/g, "$1\u00a0dB");
}
