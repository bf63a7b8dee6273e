/* Charts for every page of thenar, over uPlot: one global, `thenarCharts`
   (beside `thenarThin` and `thenarPaint`, which must be loaded before it).

   thenarCharts.panel(host, {title, unit, height, alt, link, x, series, marks, spans, lanes, onRange})
     x: Float64Array, seconds, ascending. series: [{name, look, values, low, high, step}]; values, and the shaded band
     from low to high, are arrays as long as x (NaN is a gap). marks: [{t_s, word, reason, kind}].
     spans: [{from_s, until_s, reason}], shaded.
     lanes: [{name, reason, spans: [from_s, until_s, ...]}], black bars in rows, in place of series.
   -> {setData(x, series), setMarks(marks), setSpans(spans), setRange(from_s, to_s), range(), size(), destroy()}

   Panels of one `link` share the time shown and the cursor. Whatever is drawn is thinned to the width of the screen
   with the smallest and largest value of each stretch kept, so the cost of a redraw hardly grows with the data. Every
   line differs from its neighbours in dash or width as well as in colour. Words from outside go in as text only. */
var thenarCharts = (function () {
  "use strict";

  var SIGNS = {trip: "\u25A0", starts: "\u25BC", ends: "\u25BD", event: "\u25BC"};
  var HELP = "Drag to zoom, shift and drag to move. With the chart in focus: wheel, + and \u2212 zoom, arrows move, " +
    "0 shows all, shift and arrows read values. Marks above the chart are buttons (\u25A0 trip, " +
    "\u25BC beginning, \u25BD end): their reason appears under it.";
  var APART_PX = 18, LANE_PX = 19, ZOOM = 0.6, LEAST_S = 1e-3;
  var LOOKS = thenarPaint.LOOKS, firstFrom = thenarThin.firstFrom, number = thenarThin.number;
  var groups = new Map();

  function element(name, kind, words) {
    var made = document.createElement(name);
    if (kind) made.className = kind;
    if (words !== undefined) made.textContent = words;
    return made;
  }

  /* Gaps of a line, a little wider: the line is drawn across and then cut, and a steep one would leave splinters. */
  function widened(u, line, first, last, gaps) {
    return gaps.map(function (gap) { return [gap[0] - 2, gap[1] + 2]; });
  }

  function Panel(host, given) {
    this.given = given;
    this.series = given.series || [];
    this.lanes = given.lanes || null;
    this.x = given.x || new Float64Array(0);
    this.blank = new Float64Array(this.lanes ? this.x.length : 0);
    this.marks = given.marks || [];
    this.spans = given.spans || [];
    this.hidden = {};
    this.levels = new Map();
    this.buttons = new Map();
    this.group = groups.get(given.link) || {panels: new Set(), range: null};
    if (given.link) groups.set(given.link, this.group);
    this.group.panels.add(this);
    this.build(host);
    this.plot();
    var panel = this;
    this.watch = new ResizeObserver(function () { panel.fit(); });
    this.watch.observe(this.frame);
  }

  Panel.prototype.build = function (host) {
    var given = this.given, unit = given.unit ? ", " + given.unit : "";
    this.box = element("div", "tc");
    this.box.appendChild(element("p", "tc-title", given.title + unit));
    this.legend = element("div", "tc-legend");
    this.frame = element("div", "tc-frame");
    this.strip = element("div", "tc-marks");
    this.strip.setAttribute("role", "group");
    this.strip.setAttribute("aria-label", "Marks of " + given.title + ". Arrow keys go from mark to mark.");
    this.area = element("div", "tc-plot");
    this.area.tabIndex = 0;
    this.area.setAttribute("role", "group");
    this.area.setAttribute("aria-label", given.alt || given.title);
    this.area.setAttribute("aria-roledescription", "chart");
    this.line = element("p", "tc-line", "");
    this.line.setAttribute("role", "status");
    this.frame.append(this.strip, this.area);
    this.box.append(this.legend, this.frame, this.line);
    host.appendChild(this.box);
    this.listen();
  };

  Panel.prototype.heightPx = function () {
    return this.lanes ? LANE_PX * Math.max(1, this.lanes.length) + 56 : this.given.height || 200;
  };

  Panel.prototype.whole = function () {
    var last = this.x.length - 1;
    if (last < 1) return [0, 1];
    return [this.x[0], this.x[last]];
  };

  /* Lines for uPlot: per series low and high where it has a band, then its values, drawn over the band. */
  Panel.prototype.lines = function () {
    var all = [];
    if (this.lanes) return [this.blank];
    this.series.forEach(function (entry) {
      if (entry.low) all.push(entry.low, entry.high);
      all.push(entry.values);
    });
    return all;
  };

  Panel.prototype.plot = function () {
    if (this.u) this.u.destroy();
    var panel = this, lines = [{}], bands = [];
    this.series.forEach(function (entry, order) {
      var look = LOOKS[entry.look] || LOOKS.plain, paths = uPlot.paths[entry.step ? "stepped" : "linear"];
      var made = entry.step ? paths({align: 1}) : paths();
      var shared = {paths: made, points: {show: false}, show: !panel.hidden[entry.name], gaps: widened};
      if (entry.low) {
        var edge = Object.assign({stroke: "transparent", width: 0}, shared);
        lines.push(edge, Object.assign({}, edge));
        bands.push({series: [lines.length - 1, lines.length - 2], fill: look.band || thenarPaint.BAND});
      }
      lines.push(Object.assign({look: look, stroke: look.color, width: look.width, dash: look.dash}, shared));
    });
    if (this.lanes) lines.push({stroke: "transparent", width: 0, points: {show: false}});
    var axis = {font: "12px system-ui, sans-serif", stroke: thenarPaint.INK,
      grid: {stroke: "#d9dbde", width: 1}, ticks: {stroke: thenarPaint.QUIET, width: 1, size: 5}};
    this.u = new uPlot({
      width: Math.max(200, this.frame.clientWidth || 600), height: this.heightPx(), legend: {show: false},
      padding: [6, 12, 0, 0], series: lines, bands: bands,
      scales: {x: {time: false, range: function () { return panel.range(); }},
        y: {dir: this.lanes ? -1 : 1, range: function (u, low, high) { return panel.upright(low, high); }}},
      axes: [Object.assign({size: 30, label: "time, s", labelSize: 16, labelGap: 0, labelFont: axis.font}, axis),
        Object.assign({size: 60}, axis, this.laneAxis())],
      cursor: {drag: {x: true, y: false, setScale: false}, points: {show: false}, y: false,
        sync: this.given.link ? {key: "thenar-" + this.given.link, scales: ["x", null]} : undefined,
        bind: {dblclick: function () { return function () { panel.show(null); }; },
          mousedown: function (u, target, handle) { return function (event) { panel.press(event, handle); }; }}},
      hooks: {drawClear: [function (u) { thenarPaint.spans(u, panel.spans); }],
        draw: [function (u) { panel.drawn(u); }],
        setSelect: [function (u) { panel.selected(u); }], setCursor: [function (u) { panel.read(u.cursor.left); }]}
    }, null, this.area);
    this.redraw();
    this.listLines();
  };

  Panel.prototype.laneAxis = function () {
    if (!this.lanes) return {};
    var names = this.lanes.map(function (lane) { return lane.name; });
    var middles = names.map(function (_, row) { return row + 0.5; }), none = {show: false};
    return {splits: function () { return middles; }, values: function () { return names; }, grid: none, ticks: none};
  };

  Panel.prototype.upright = function (low, high) {
    if (this.lanes) return [0, this.lanes.length];
    if (low === null || high === null) return [0, 1];
    if (high === low) { high += 0.5; low -= low === 0 ? 0 : 0.5; }
    var room = 0.08 * (high - low);
    return [low >= 0 && low < 0.6 * high ? 0 : low - room, high + room];
  };

  Panel.prototype.slice = function () {
    var range = this.range(), pixels = Math.max(200, this.frame.clientWidth || 600);
    return thenarThin.shown(this.x, this.lines(), range[0], range[1], pixels, this.levels);
  };

  Panel.prototype.redraw = function () {
    var data = this.slice();
    this.u.series.forEach(function (line, order) {
      if (line.look) line.dash = thenarThin.isDense(data[order]) ? [] : line.look.dash;
    });
    this.u.setData(data, true);
  };

  Panel.prototype.fit = function () {
    var width = this.frame.clientWidth;
    if (!width || Math.abs(width - this.u.width) < 1) return;
    this.u.setSize({width: width, height: this.heightPx()});
    this.redraw();
  };

  Panel.prototype.range = function () {
    return this.group.range || this.whole();
  };

  /* Show `range` ([from_s, to_s], or null for all of it) in every panel of the link. */
  Panel.prototype.show = function (range) {
    if (range) {
      var whole = this.whole(), wide = Math.min(Math.max(range[1] - range[0], LEAST_S), whole[1] - whole[0]);
      var from = Math.min(Math.max(range[0], whole[0]), whole[1] - wide);
      range = wide >= whole[1] - whole[0] ? null : [from, from + wide];
    }
    this.group.range = range;
    this.group.panels.forEach(function (panel) {
      panel.redraw();
      if (panel.given.onRange) panel.given.onRange(panel.range());
    });
  };

  Panel.prototype.zoom = function (factor, at_s) {
    var now = this.range(), middle = at_s === undefined ? (now[0] + now[1]) / 2 : at_s;
    this.show([middle - (middle - now[0]) * factor, middle + (now[1] - middle) * factor]);
  };

  Panel.prototype.move = function (share) {
    var now = this.range(), step = share * (now[1] - now[0]);
    this.show([now[0] + step, now[1] + step]);
  };

  Panel.prototype.selected = function (u) {
    if (u.select.width < 4) return;
    var from = u.posToVal(u.select.left, "x"), to = u.posToVal(u.select.left + u.select.width, "x");
    u.setSelect({left: 0, top: 0, width: 0, height: 0}, false);
    this.show([from, to]);
  };

  Panel.prototype.press = function (event, handle) {
    this.area.focus({preventScroll: true});
    if (!event.shiftKey) { handle(event); return; }
    var panel = this, start = event.clientX, range = this.range(), wide = this.u.over.clientWidth;
    function moved(now) {
      var step = (start - now.clientX) / wide * (range[1] - range[0]);
      panel.show([range[0] + step, range[1] + step]);
    }
    function done() {
      document.removeEventListener("mousemove", moved);
      document.removeEventListener("mouseup", done);
    }
    document.addEventListener("mousemove", moved);
    document.addEventListener("mouseup", done);
  };

  Panel.prototype.listen = function () {
    var panel = this;
    var keys = {"+": function () { panel.zoom(ZOOM); }, "=": function () { panel.zoom(ZOOM); },
      "-": function () { panel.zoom(1 / ZOOM); }, ArrowLeft: function () { panel.move(-0.2); },
      ArrowRight: function () { panel.move(0.2); }, "0": function () { panel.show(null); }};
    this.area.addEventListener("keydown", function (event) {
      if (event.ctrlKey || event.metaKey || event.altKey) return;
      var read = event.shiftKey && {ArrowLeft: -1, ArrowRight: 1}[event.key];
      if (!read && !keys[event.key]) return;
      event.preventDefault();
      if (read) panel.u.setCursor({left: Math.min(Math.max((panel.u.cursor.left || 0) + 6 * read, 0),
        panel.u.over.clientWidth - 1), top: 5});
      else keys[event.key]();
    });
    this.area.addEventListener("focus", function () { if (panel.area.matches(":focus-visible")) panel.tell(HELP); });
    this.area.addEventListener("wheel", function (event) {
      if (document.activeElement !== panel.area && !event.ctrlKey) return; // else the page scrolls
      event.preventDefault();
      var at = panel.u.posToVal(event.clientX - panel.u.over.getBoundingClientRect().left, "x");
      panel.zoom(event.deltaY < 0 ? ZOOM : 1 / ZOOM, at);
    }, {passive: false});
    this.strip.addEventListener("keydown", function (event) {
      var step = {ArrowLeft: -1, ArrowRight: 1}[event.key], all = Array.from(panel.strip.children);
      var next = step && all[all.indexOf(document.activeElement) + step];
      if (!step) return;
      event.preventDefault();
      if (next) next.focus();
    });
  };

  /* The legend: a button per line that shows or hides it, with the value at the cursor. */
  Panel.prototype.listLines = function () {
    var panel = this;
    this.legend.textContent = "";
    this.values = this.series.map(function (entry) {
      var button = element("button", "tc-key"), value = element("span", "tc-value", "");
      button.type = "button";
      button.setAttribute("aria-pressed", String(!panel.hidden[entry.name]));
      button.append(thenarPaint.sample(LOOKS[entry.look] || LOOKS.plain), element("span", "", entry.name), value);
      button.addEventListener("click", function () {
        panel.hidden[entry.name] = !panel.hidden[entry.name];
        panel.plot();
        panel.legend.children[panel.series.indexOf(entry)].focus();
      });
      panel.legend.appendChild(button);
      return value;
    });
  };

  Panel.prototype.read = function (left) {
    var values = this.values || [], at_s = left >= 0 ? this.u.posToVal(left, "x") : NaN;
    var index = Math.min(Math.max(0, firstFrom(this.x, at_s) - 1), this.x.length - 1), unit = this.given.unit || "";
    this.series.forEach(function (entry, order) {
      if (values[order]) values[order].textContent = left >= 0 ? number(entry.values[index]) + " " + unit : "";
    });
    var focused = document.activeElement === this.area, over = this.u.over.matches(":hover");
    if (left < 0 || !(focused || over)) return;
    this.tell("at " + number(at_s) + " s: " + (this.lanes ? this.acting(at_s) : this.series.map(function (entry) {
      return entry.name + " " + number(entry.values[index]) + " " + unit;
    }).join(", ")) + this.halted(at_s));
  };

  Panel.prototype.acting = function (at_s) {
    var wide = this.range(), near = 2 * (wide[1] - wide[0]) / Math.max(200, this.u.over.clientWidth);
    return this.lanes.filter(function (lane) {
      var after = firstFrom(lane.spans, at_s - near), odd = after % 2 === 1;
      return odd || (after < lane.spans.length && lane.spans[after] <= at_s + near);
    }).map(function (lane) { return lane.name + " " + lane.reason; }).join("; ") || "no rule acts";
  };

  Panel.prototype.halted = function (at_s) {
    var found = this.spans.find(function (span) { return span.from_s <= at_s && at_s <= span.until_s; });
    return found && found.reason ? ". " + found.reason : "";
  };

  Panel.prototype.tell = function (words) { this.line.textContent = words; };

  Panel.prototype.drawn = function (u) {
    var heads = this.leads(function (mark) { return u.valToPos(mark.t_s, "x"); });
    thenarPaint.moments(u, heads.map(function (lead) { return lead[0].t_s; }));
    if (this.lanes) thenarPaint.lanes(u, this.lanes, this.range());
    this.placeMarks(u, heads);
  };

  /* Marks in view, those closer than a button's width together as one list, the first as its head. */
  Panel.prototype.leads = function (place) {
    var range = this.range(), found = [], last = -Infinity;
    this.marks.forEach(function (mark) {
      if (mark.t_s < range[0] || mark.t_s > range[1]) return;
      var at = place(mark);
      if (at - last < APART_PX) { found[found.length - 1].push(mark); return; }
      found.push([mark]);
      last = at;
    });
    return found;
  };

  Panel.prototype.placeMarks = function (u, heads) {
    var panel = this, left = u.bbox.left / uPlot.pxRatio, kept = new Map(), before = null;
    heads.forEach(function (lead) {
      var key = lead[0].t_s + " " + lead[0].word, button = panel.buttons.get(key) || panel.markButton();
      panel.buttons.delete(key);
      kept.set(key, button);
      var trip = lead.some(function (mark) { return mark.kind === "trip"; });
      var words = lead.slice(0, 4).map(function (mark) {
        return number(mark.t_s) + " s, " + mark.word + (mark.reason ? ": " + mark.reason : "");
      }).join("; ") + (lead.length > 4 ? "; and " + (lead.length - 4) + " more, zoom in to see them" : "");
      button.textContent = (SIGNS[trip ? "trip" : lead[0].kind] || SIGNS.event) + (lead.length > 1 ? lead.length : "");
      button.setAttribute("aria-label", words);
      button.style.transform = "translateX(" + (left + u.valToPos(lead[0].t_s, "x")) + "px) translateX(-50%)";
      if (before ? before.nextSibling !== button : panel.strip.firstChild !== button)
        panel.strip.insertBefore(button, before ? before.nextSibling : panel.strip.firstChild);
      before = button;
    });
    this.buttons.forEach(function (button) { button.remove(); });
    this.buttons = kept;
    var inTurn = Array.from(this.strip.children);
    if (inTurn.length && !inTurn.some(function (button) { return button.tabIndex === 0; })) inTurn[0].tabIndex = 0;
    this.strip.hidden = !inTurn.length;
  };

  Panel.prototype.markButton = function () {
    var panel = this, button = element("button", "tc-mark");
    button.type = "button";
    button.tabIndex = -1;
    function tell() { panel.tell(button.getAttribute("aria-label")); }
    button.addEventListener("mouseenter", tell);
    button.addEventListener("focus", function () {
      Array.from(panel.strip.children).forEach(function (other) { other.tabIndex = other === button ? 0 : -1; });
      tell();
    });
    return button;
  };

  Panel.prototype.destroy = function () {
    this.watch.disconnect();
    this.group.panels.delete(this);
    if (!this.group.panels.size) groups.delete(this.given.link);
    this.u.destroy();
    this.box.remove();
  };

  function alike(one, other) {
    return one.length === other.length && one.every(function (entry, order) {
      var twin = other[order];
      return entry.name === twin.name && entry.look === twin.look && !entry.low === !twin.low &&
        !entry.step === !twin.step;
    });
  }

  function panel(host, given) {
    var made = new Panel(host, given);
    return {
      setData: function (x, series) {
        var same = alike(made.series, series || []);
        made.levels.clear();
        made.x = x;
        made.series = series || [];
        if (same) made.redraw(); else made.plot();
      },
      setMarks: function (marks) { made.marks = marks; made.redraw(); },
      setSpans: function (spans) { made.spans = spans; made.redraw(); },
      setRange: function (from_s, to_s) { made.show(from_s === null || from_s === undefined ? null : [from_s, to_s]); },
      range: function () { return made.range(); },
      size: function () {
        return {width: made.u.width, height: made.u.height, points: made.x.length, drawn: made.u.data[0].length};
      },
      destroy: function () { made.destroy(); }
    };
  }

  return {panel: panel, looks: LOOKS, help: HELP};
})();
