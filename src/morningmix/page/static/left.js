// How far work is and how long it still takes: counted on between two reports, and never done before it is.

const MOST = 0.97; // of the bar, until it is done

export class Left {
  report(fraction, left, nowS) {
    this.last = { fraction, left, nowS };
  }

  // What to show: a share of the bar that never falls, and words.
  at(nowS) {
    const { fraction, left, nowS: since } = this.last;
    const passed = nowS - since;
    const gone = left ? Math.min(passed / left, 1) : 0;
    this.bar = Math.max(this.bar || 0, Math.min(fraction + (1 - fraction) * gone, MOST));
    return { bar: this.bar, words: left === null ? "" : this.words(left - passed) };
  }

  words(left) {
    if (left > 90) return `about ${Math.round(left / 60)} min left`;
    return left > 2 ? `about ${Math.ceil(left)} s left` : "nearly done";
  }
}
