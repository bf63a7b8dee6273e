/* What part of the data a chart is given to draw: about as many points as the screen is wide, peaks kept. */
var thenarThin = (function () {
  "use strict";

  var LEVEL = 16, DENSE = 400;

  /* First index of x whose value is not below `at`. */
  function firstFrom(x, at) {
    var low = 0, high = x.length;
    while (low < high) {
      var middle = (low + high) >> 1;
      if (x[middle] < at) low = middle + 1; else high = middle;
    }
    return low;
  }

  /* Two values for each stretch of `width` points from index `from` to `to`: smallest and largest, in their order.
     They go into `kept`; where there is no number, `gap` does. */
  function extremes(values, from, to, width, kept, gap) {
    for (var start = from, next = 0; start < to; start += width) {
      var end = Math.min(start + width, to), low = Infinity, high = -Infinity, lowAt = start, highAt = start;
      for (var index = start; index < end; index++) {
        var value = values[index];
        if (value < low) { low = value; lowAt = index; }
        if (value > high) { high = value; highAt = index; }
      }
      var none = low === Infinity;
      kept[next++] = none ? gap : lowAt <= highAt ? low : high;
      kept[next++] = none ? gap : lowAt <= highAt ? high : low;
    }
    return kept;
  }

  /* The extremes of each LEVEL points of a line, kept in `levels` as long as the data stays. */
  function level(values, levels) {
    if (!levels.has(values)) {
      var room = new Float64Array(2 * Math.ceil(values.length / LEVEL));
      levels.set(values, extremes(values, 0, values.length, LEVEL, room, NaN));
    }
    return levels.get(values);
  }

  function plainly(values, from, to) {
    var kept = new Array(to - from);
    for (var index = from; index < to; index++) kept[index - from] = isNaN(values[index]) ? null : values[index];
    return kept;
  }

  /* What uPlot is given for the stretch from_s to to_s on `pixels` pixels: [x, one array per line].
     `levels`: a Map that the caller empties whenever the data changes. */
  function shown(x, lines, from_s, to_s, pixels, levels) {
    var from = Math.max(0, firstFrom(x, from_s) - 2), to = Math.min(x.length, firstFrom(x, to_s) + 2);
    var width = Math.floor((to - from) / Math.max(100, pixels));
    if (width < 3) {
      return [plainly(x, from, to)].concat(lines.map(function (values) { return plainly(values, from, to); }));
    }
    var coarse = width >= 2 * LEVEL; // then the level does, with an eighth of the points
    if (coarse) width -= width % LEVEL;
    from -= from % width; // stretches stay where they are while the view moves: no flicker
    to = coarse ? Math.ceil(to / LEVEL) * LEVEL : to;
    var times = [], last = x.length - 1;
    for (var start = from; start < to; start += width) {
      times.push(x[start], x[Math.min(start + (width >> 1), last)]);
    }
    return [times].concat(lines.map(function (values) {
      var kept = new Array(times.length), share = 2 / LEVEL;
      if (!coarse) return extremes(values, from, to, width, kept, null);
      return extremes(level(values, levels), from * share, to * share, width * share, kept, null);
    }));
  }

  /* Whether a line goes up and down so much that dashes can't be told apart (and take most of the time to draw). */
  function isDense(values) {
    var low = Infinity, high = -Infinity, way = 0;
    for (var index = 0; index < values.length; index++) {
      var value = values[index], before = index ? values[index - 1] : value;
      if (value === null || before === null) continue;
      low = Math.min(low, value);
      high = Math.max(high, value);
      way += Math.abs(value - before);
    }
    return way > DENSE * (high - low);
  }

  function number(value) {
    if (value === undefined || value === null || value !== value) return "none";
    return Math.abs(value) >= 1000 ? value.toFixed(0) : String(+value.toPrecision(4));
  }

  return {firstFrom: firstFrom, extremes: extremes, shown: shown, isDense: isDense, number: number};
})();
