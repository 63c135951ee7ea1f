// A value that several parts of the page show: whoever uses it is drawn again when it changes.
import { useLayoutEffect, useReducer } from "./html.js";

export class Shared {
  constructor(value) {
    this.value = value;
    this.readers = new Set();
  }

  set(value) {
    if (Object.is(value, this.value)) return;
    this.value = value;
    // A copy: a reader may come or go while the others are told.
    for (const reader of [...this.readers]) reader();
  }

  watch(reader) {
    this.readers.add(reader);
    return () => this.readers.delete(reader);
  }
}

/** The present value of a Shared, inside a component. */
export function useShared(shared) {
  const [, draw] = useReducer((count) => count + 1, 0);
  useLayoutEffect(() => {
    const seen = shared.value;
    const leave = shared.watch(() => draw());
    // It may have changed between the drawing and now.
    if (!Object.is(seen, shared.value)) draw();
    return leave;
  }, [shared]);
  return shared.value;
}
