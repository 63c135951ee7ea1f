// How old what was last heard may be. It has no clock: instants come in as {ms, date}, of the two clocks of the device,
// and only differences of one and the same clock count. So it does not matter by how much the device's date is wrong.
//
// Each clock alone can fail: ms (performance.now) stands still while some devices sleep, date may be set. The one that
// says worse is believed. What comes may be old too: it lay in a buffer while the device slept, or waits on a slow
// link. That is seen by the gateway's own clock in each message: a message is late by how much more time has passed here
// than there since the quickest message of this connection. The first of a connection was made after it was asked for,
// so it is no older than the question; as much doubt stays until a quicker one comes.

const CLOCKS = ["ms", "date"];
/** Parts in a second that two good clocks may part: else a day of it would pass for a slow link. */
const DRIFT = 1e-4;

export class Hearing {
  #asked = null;
  #quickest = null;
  #doubt = null;
  #last = null;
  #late = { ms: 0, date: 0 };

  /** A connection is asked for at `now`. */
  ask(now) {
    this.#asked = now;
    this.#quickest = null;
  }

  /** A message came at `now`, which the gateway sent when its own clock stood at `there` (ms). */
  hear(now, there) {
    const first = this.#quickest === null;
    const asked = this.#asked ?? now;
    const before = this.#last ?? now;
    const quickest = {};
    const doubt = {};
    for (const clock of CLOCKS) {
      const apart = now[clock] - there;
      if (first) {
        quickest[clock] = apart;
        doubt[clock] = Math.max(0, now[clock] - asked[clock]);
      } else {
        const least = this.#quickest[clock] + DRIFT * Math.max(0, now[clock] - before[clock]);
        quickest[clock] = Math.min(least, apart);
        doubt[clock] = Math.max(0, this.#doubt[clock] - (least - quickest[clock]));
      }
      this.#late[clock] = apart - quickest[clock];
    }
    this.#quickest = quickest;
    this.#doubt = doubt;
    this.#last = now;
  }

  /** Milliseconds since anything came; Infinity where nothing did. */
  silence(now) {
    if (this.#last === null) return Infinity;
    return Math.max(0, ...CLOCKS.map((clock) => now[clock] - this.#last[clock]));
  }

  /** Milliseconds by which the newest message came later than the quickest of its connection. */
  get late() {
    return Math.max(this.#late.ms, this.#late.date);
  }

  /** The most that what was told last may be old, in milliseconds. */
  age(now) {
    if (this.#last === null) return Infinity;
    const old = (clock) => Math.max(0, now[clock] - this.#last[clock]) + this.#late[clock] + this.#doubt[clock];
    return Math.max(...CLOCKS.map(old));
  }
}
