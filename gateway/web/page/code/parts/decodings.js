// What raw words can mean: every way of reading one or two registers, side by side, for whoever proves a byte order.

/** Orders of the four bytes of two registers, as the site file names them. */
const ORDERS = { ABCD: [0, 1, 2, 3], CDAB: [2, 3, 0, 1], BADC: [1, 0, 3, 2], DCBA: [3, 2, 1, 0] };

/** Rows of {kind, order, value} of the words of one signal; none for more words than two. */
export function decodings(words) {
  const bytes = new Uint8Array(words.flatMap((word) => [word >> 8, word & 0xff]));
  if (words.length === 1) {
    return Object.entries({ AB: [0, 1], BA: [1, 0] }).flatMap(([order, places]) => {
      const view = ordered(bytes, places);
      return [
        { kind: "uint16", order, value: view.getUint16(0) },
        { kind: "int16", order, value: view.getInt16(0) },
      ];
    });
  }
  if (words.length !== 2) return [];
  return Object.entries(ORDERS).flatMap(([order, places]) => {
    const view = ordered(bytes, places);
    return [
      { kind: "float32", order, value: view.getFloat32(0) },
      { kind: "uint32", order, value: view.getUint32(0) },
      { kind: "int32", order, value: view.getInt32(0) },
    ];
  });
}

function ordered(bytes, places) {
  return new DataView(new Uint8Array(places.map((place) => bytes[place])).buffer);
}

export function hex(word) {
  return word.toString(16).toUpperCase().padStart(4, "0");
}
