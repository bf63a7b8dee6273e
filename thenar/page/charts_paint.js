/* Colours and dashes of the charts, and what is painted beside their lines: shaded stretches, moments, rows of bars. */
var thenarPaint = (function () {
  "use strict";

  // Colours as in thenar/report/ink.py (a test compares them).
  var INK = "#20242b", QUIET = "#6b6f76", BAND = "#ece7dc", FORCE = "#17518f", ESTIMATE = "#b8561b";
  var AGONIST = "#0c6e63", ANTAGONIST = "#7a3fb0", HALTED = "#f3d9d4";
  var LOOKS = {
    force: {color: FORCE, width: 2, dash: []},
    target: {color: INK, width: 1.4, dash: [9, 4], band: BAND},
    estimate: {color: ESTIMATE, width: 1.3, dash: [2, 2.5]},
    agonist: {color: AGONIST, width: 2, dash: []},
    "agonist-asked": {color: AGONIST, width: 1.2, dash: [2, 3]},
    antagonist: {color: ANTAGONIST, width: 2, dash: [12, 3, 3, 3]},
    "antagonist-asked": {color: ANTAGONIST, width: 1.2, dash: [5, 3]},
    asked: {color: QUIET, width: 1.2, dash: [2, 3]},
    halted: {color: INK, width: 3, dash: []},
    error: {color: ESTIMATE, width: 1.6, dash: [6, 2]},
    kept: {color: QUIET, width: 1.6, dash: [12, 3, 3, 3]},
    plain: {color: INK, width: 1.3, dash: []}
  };

  function spans(u, list) {
    var box = u.bbox, context = u.ctx;
    context.save();
    context.beginPath();
    context.rect(box.left, box.top, box.width, box.height);
    context.clip();
    list.forEach(function (span) {
      var from = u.valToPos(span.from_s, "x", true), to = u.valToPos(span.until_s, "x", true);
      if (to < box.left || from > box.left + box.width) return;
      from = Math.max(from, box.left); to = Math.min(Math.max(to, from + 2), box.left + box.width);
      context.fillStyle = HALTED;
      context.fillRect(from, box.top, to - from, box.height);
      context.strokeStyle = QUIET;
      context.lineWidth = 1;
      context.beginPath();
      context.rect(from, box.top, to - from, box.height);
      context.save();
      context.clip();
      context.beginPath();
      for (var at = from - box.height; at < to; at += 12) { // hatched, for grey prints
        context.moveTo(at, box.top + box.height);
        context.lineTo(at + box.height, box.top);
      }
      context.stroke();
      context.restore();
    });
    context.restore();
  }

  function moments(u, times_s) {
    var box = u.bbox, context = u.ctx;
    context.save();
    context.strokeStyle = INK;
    context.lineWidth = 1;
    context.setLineDash([1, 4]);
    times_s.forEach(function (at_s) {
      var at = Math.round(u.valToPos(at_s, "x", true)) + 0.5;
      context.beginPath();
      context.moveTo(at, box.top);
      context.lineTo(at, box.top + box.height);
      context.stroke();
    });
    context.restore();
  }

  function lanes(u, list, range) {
    var box = u.bbox, context = u.ctx;
    context.save();
    context.beginPath();
    context.rect(box.left, box.top, box.width, box.height);
    context.clip();
    context.fillStyle = INK;
    list.forEach(function (lane, row) { drawLane(u, lane, row, range); });
    context.restore();
  }

  function drawLane(u, lane, row, range) {
    var top = u.valToPos(row + 0.15, "y", true), tall = u.valToPos(row + 0.85, "y", true) - top;
    var first = thenarThin.firstFrom(lane.spans, range[0]), until = -1;
    for (var place = first - first % 2; place < lane.spans.length && lane.spans[place] <= range[1]; place += 2) {
      var from = u.valToPos(lane.spans[place], "x", true), to = u.valToPos(lane.spans[place + 1], "x", true);
      if (to <= until) continue; // already black at this scale
      until = Math.max(to, from + 1.5);
      u.ctx.fillRect(from, top, until - from, tall);
    }
  }

  /* A piece of line for the legend. */
  function sample(look) {
    var space = "http://www.w3.org/2000/svg", picture = document.createElementNS(space, "svg");
    picture.setAttribute("viewBox", "0 0 34 8");
    picture.setAttribute("class", "tc-sample");
    picture.setAttribute("aria-hidden", "true");
    var line = document.createElementNS(space, "path");
    line.setAttribute("d", "M0 4H34");
    line.setAttribute("stroke", look.color);
    line.setAttribute("stroke-width", look.width + 0.4);
    line.setAttribute("stroke-dasharray", look.dash.join(" "));
    picture.appendChild(line);
    return picture;
  }

  return {LOOKS: LOOKS, sample: sample, INK: INK, QUIET: QUIET, BAND: BAND, spans: spans, moments: moments,
    lanes: lanes};
})();
