/* What came from the loop, ten minutes of it at most: times in seconds since the first row that this page got, and one
   array per line. A round begins at zero in the loop; here time goes on, so that rounds stand side by side, a little
   apart, with enough empty rows between them that thinning for the screen keeps one. */
var benchTrace = (function () {
  "use strict";

  const LONGEST_S = 600, APART_S = 0.2, EMPTY_ROWS = 24, FIRST_ROOM = 1 << 14, MOST_ROOM = 1 << 18;
  const COLUMNS = ["target_N", "force_N", "estimate_N", "agonist_demand_mA", "agonist_admitted_mA",
    "antagonist_demand_mA", "antagonist_admitted_mA", "reasons", "trip"];
  const LINES = [...COLUMNS, "error_N"];

  function Trace() {
    this.room = FIRST_ROOM;
    this.x = new Float64Array(this.room);
    this.lines = Object.fromEntries(LINES.map((name) => [name, new Float64Array(this.room)]));
    this.first = 0;      // rows before it are too old
    this.count = 0;
    this.begun_s = null; // where the loop's zero of this round lies on our axis
    this.error_N = NaN;
    this.parted = false; // no line goes on from one round to the next
  }

  Trace.prototype.last_s = function () { return this.count > this.first ? this.x[this.count - 1] : 0; };

  /* A round begins: its zero is where we are now. */
  Trace.prototype.round = function () { this.begun_s = null; this.parted = true; };

  /* Where the loop's time lies on our axis. */
  Trace.prototype.place_s = function (t_us) {
    if (this.begun_s === null) this.begun_s = this.count ? this.last_s() - t_us / 1e6 + APART_S : -t_us / 1e6;
    return this.begun_s + t_us / 1e6;
  };

  Trace.prototype.add = function (columns, gap) {
    const times = columns.t_us;
    if (!times.length) return;
    this.place_s(times[0]);
    // A line must not bridge what is missing, nor go on from one round to the next.
    const end_s = this.last_s(), empty = !this.count ? 0 : this.parted ? EMPTY_ROWS : gap ? 1 : 0;
    for (let row = 1; row <= empty; row++) this.push(end_s + (this.parted ? row * APART_S / (EMPTY_ROWS + 1) : 1e-6), null, 0);
    this.parted = false;
    for (let row = 0; row < times.length; row++) this.push(this.place_s(times[row]), columns, row);
    while (this.x[this.first] < this.last_s() - LONGEST_S) this.first++;
  };

  Trace.prototype.push = function (at_s, columns, row) {
    if (this.count === this.room) this.makeRoom();
    this.x[this.count] = at_s;
    for (const name of COLUMNS) {
      const value = columns ? columns[name][row] : null;
      this.lines[name][this.count] = value === null ? NaN : value;
    }
    this.lines.error_N[this.count] = columns ? this.error_N : NaN;
    this.count++;
  };

  Trace.prototype.makeRoom = function () {
    if (this.first < this.room / 2 && this.room < MOST_ROOM) {
      this.room *= 2;
      const longer = (old) => { const made = new Float64Array(this.room); made.set(old); return made; };
      this.x = longer(this.x);
      for (const name of LINES) this.lines[name] = longer(this.lines[name]);
      return;
    }
    this.first = Math.max(this.first, this.room >> 2); // even where ten minutes would be more rows than we hold
    this.x.copyWithin(0, this.first, this.count);
    for (const name of LINES) this.lines[name].copyWithin(0, this.first, this.count);
    this.count -= this.first;
    this.first = 0;
  };

  /* What there is to draw. `still`: copies that stay as they are while rows go on coming. */
  Trace.prototype.view = function (still) {
    const cut = (array) => still ? array.slice(this.first, this.count) : array.subarray(this.first, this.count);
    return {x: cut(this.x), lines: Object.fromEntries(LINES.map((name) => [name, cut(this.lines[name])]))};
  };

  /* Numbers of the rules that acted in the last `span_s` seconds, and the latch of the last row. */
  Trace.prototype.acting = function (span_s) {
    const found = new Set(), from_s = this.last_s() - span_s;
    let before = 0;
    for (let row = this.count - 1; row >= this.first && this.x[row] > from_s; row--) {
      const bits = this.lines.reasons[row];
      if (!(bits > 0) || bits === before) continue;
      before = bits;
      for (let rule = 1, left = bits; left > 0; rule++, left = Math.floor(left / 2)) if (left % 2) found.add(rule);
    }
    return [...found].sort((one, other) => one - other);
  };

  return {Trace, LONGEST_S};
})();
