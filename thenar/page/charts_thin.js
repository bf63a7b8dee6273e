/* What part of the data a chart is given to draw: about as many points as the screen is wide, peaks kept. */
var thenarThin = (function () {
  "use strict";

  /* First index of x whose value is not below `at`. */
  function firstFrom(x, at) {
    var low = 0, high = x.length;
    while (low < high) {
      var middle = (low + high) >> 1;
      if (x[middle] < at) low = middle + 1; else high = middle;
    }
    return low;
  }

  /* Two values for each stretch of `width` points from index `from` to `to`: smallest and largest, in their order. */
  function extremes(values, from, to, width) {
    var kept = new Array(2 * Math.ceil((to - from) / width)), next = 0;
    for (var start = from; start < to; start += width) {
      var end = Math.min(start + width, to), low = Infinity, high = -Infinity, lowAt = start, highAt = start;
      for (var index = start; index < end; index++) {
        var value = values[index];
        if (value < low) { low = value; lowAt = index; }
        if (value > high) { high = value; highAt = index; }
      }
      var none = low === Infinity;
      kept[next++] = none ? null : lowAt <= highAt ? low : high;
      kept[next++] = none ? null : lowAt <= highAt ? high : low;
    }
    return kept;
  }

  function plainly(values, from, to) {
    var kept = new Array(to - from);
    for (var index = from; index < to; index++) kept[index - from] = isNaN(values[index]) ? null : values[index];
    return kept;
  }

  /* What uPlot is given for the stretch from_s to to_s on `pixels` pixels: [x, one array per line]. */
  function shown(x, lines, from_s, to_s, pixels) {
    var from = Math.max(0, firstFrom(x, from_s) - 2), to = Math.min(x.length, firstFrom(x, to_s) + 2);
    var width = Math.floor((to - from) / Math.max(100, pixels));
    if (width < 3) {
      return [plainly(x, from, to)].concat(lines.map(function (values) { return plainly(values, from, to); }));
    }
    from = Math.max(0, from - from % width); // stretches stay where they are while the view moves: no flicker
    var times = [];
    for (var start = from; start < to; start += width) {
      times.push(x[start], x[Math.min(start + (width >> 1), to - 1)]);
    }
    return [times].concat(lines.map(function (v) { return extremes(v, from, to, width); }));
  }

  function number(value) {
    if (value === undefined || value === null || value !== value) return "none";
    return Math.abs(value) >= 1000 ? value.toFixed(0) : String(+value.toPrecision(4));
  }

  return {firstFrom: firstFrom, extremes: extremes, shown: shown, number: number};
})();
