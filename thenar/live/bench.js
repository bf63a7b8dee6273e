/* The live page: one socket to the loop, pictures drawn when the screen is, and every control sent as one small message.
   The stop control is a frame of its own (stop.js); the Escape key here reaches it, and goes out by itself besides. */
(function () {
  "use strict";

  const byId = (id) => document.getElementById(id), put = benchTold.put, WINDOW_STEP_S = 1;
  const trace = new benchTrace.Trace();
  let socket = null, about = null, round = 0, panels = null, rules = new Map(), labels = new Map();
  let marks = [], spans = [], showValues = () => {}, dirty = false, frozen = null, ours = false, ended = "", actedAt = 0, marked = true, lastKind = "";

  let comparer = "";
  const COMPARER = {waiting: "Comparing is not prepared yet.", preparing: "Comparing is being prepared, behind all other work: " +
    "some seconds, or minutes at the very first start. What you ask for meanwhile is answered afterwards.", comparing: "Both settings run."};

  // The stop comes first: nothing below can keep it from being heard.
  document.addEventListener("keydown", (event) => {
    if (event.key !== "Escape" || event.repeat) return;
    event.preventDefault();
    byId("stop").contentWindow.postMessage("stop", "*"); // to a sandboxed frame, whose origin has no name
    fetch("press", {method: "POST", keepalive: true}).catch(() => {});
  }, {capture: true});

  function send(message) {
    if (socket && socket.readyState === WebSocket.OPEN) socket.send(JSON.stringify(message));
    else tell("no connection: nothing was sent", true);
  }

  function tell(words, refused) {
    const line = byId("line");
    line.classList.toggle("refused", Boolean(refused));
    put(line, words);
  }

  function connect() {
    socket = new WebSocket("ws://" + location.host + location.pathname + "live");
    socket.onopen = () => tell("connected");
    socket.onmessage = (event) => hear(JSON.parse(event.data));
    socket.onclose = (event) => {
      const again = !ended && event.code !== 1001; // 1001: the bench was closed
      if (!ended) tell("no connection" + (event.reason ? ": " + event.reason : "") + (again ? ". Trying again." : ". Start thenar bench again."), true);
      benchTold.cutOff(ended ? "the loop has ended" : "no connection");
      if (again) setTimeout(connect, 1000);
    };
  }

  const HEARD = {
    about: begin,
    round: (it) => { round = it.round; trace.round(); },
    rows: (it) => { trace.add(it.columns, it.dropped > 0); dirty = true; },
    event: happened,
    state: stands,
    compared: (it) => { byId("compare").disabled = false; benchCompare.show(it, about.controls); tell("compared over the noise of repeat " + it.repeat); },
    saved: (it) => { put(byId("saved"), it.says); tell("saved: " + it.path); },
    refused: (it) => { byId("compare").disabled = false; tell("refused: " + it.why, true); },
    "left-out": (it) => { trace.add({t_us: []}, true); tell(it.rows + " rows were left out: this page was too slow for them", true); },
    ended: (it) => { ended = it.why; put(byId("trip"), "The loop has ended: " + it.why); benchTold.cutOff("the loop has ended"); tell("the loop has ended: " + it.why, true); },
  };

  function hear(message) {
    const found = HEARD[message.is];
    if (found) found(message);
  }

  function begin(it) {
    const again = about !== null;
    about = it;
    rules = new Map(it.rules.map((rule) => [rule.id, rule]));
    labels = new Map(it.controls.map((control) => [control.key, benchControls.plainLabel(control.label, control.unit)]));
    document.title = "thenar bench: " + it.title;
    put(byId("title"), it.title);
    showValues = benchControls.build(byId("controls"), it.controls, send);
    benchControls.faults(byId("faults"), it.faults, send);
    benchTold.limits(byId("limits"), it);
    const cause = byId("cause");
    cause.replaceChildren(cause.options[0], ...it.rules.map((rule) => new Option(rule.id + " " + rule.title, rule.id)));
    if (!again) panels = lay(byId("panels"));
    trace.round();
  }

  function lay(host) {
    const link = "live", empty = new Float64Array(0);
    const lines = (...given) => given.map(([name, look, column, step]) => ({name, look, column, step: Boolean(step), values: empty}));
    const given = [
      {title: "Force", unit: "N", height: 230, alt: "Target, true force and estimate over time",
        series: lines(["target", "target", "target_N"], ["true force", "force", "force_N"], ["estimate", "estimate", "estimate_N", 1])},
      {title: "Agonist current", unit: "mA", height: 130, alt: "Current asked for and admitted on the agonist channel over time",
        series: lines(["asked", "agonist-asked", "agonist_demand_mA", 1], ["admitted", "agonist", "agonist_admitted_mA", 1])},
      {title: "Antagonist current", unit: "mA", height: 130, alt: "Current asked for and admitted on the antagonist channel over time",
        series: lines(["asked", "antagonist-asked", "antagonist_demand_mA", 1], ["admitted", "antagonist", "antagonist_admitted_mA", 1])},
      {title: "Running mean absolute error of the round", unit: "N", height: 110, alt: "Mean absolute error since the round began, over time",
        series: lines(["error", "error", "error_N", 1])},
    ];
    return given.map((panel) => ({series: panel.series,
      it: thenarCharts.panel(host, Object.assign({link, x: empty, marks: [], onRange: ranged}, panel))}));
  }

  function happened(it) {
    const at_s = trace.place_s(it.t_us), mark = benchTold.mark(it, at_s, labels);
    if (it.kind === "stopped" && lastKind === "stopped") return; // a stop goes out on several ways: the first one counts
    lastKind = it.kind;
    benchTold.log(byId("log"), it, round, labels);
    if (it.kind === "trip") {
      spans.push({from_s: at_s, until_s: Infinity, reason: "latched: " + it.title});
      put(byId("trip"), "TRIP " + it.cause + ". " + benchTold.rule(it));
      byId("cause").value = "";
    } else if (it.kind === "cleared") {
      untilNow(at_s);
      put(byId("trip"), "");
      tell("re-armed: " + it.cause + " is cleared");
    } else if (it.kind === "arming-refused") {
      tell(benchTold.words(it, labels), true);
    }
    if (!mark) return;
    const before = marks[marks.length - 1];
    if (before && before.word === "setting" && mark.word === "setting" && at_s - before.t_s < 1) marks.pop(); // one mark for one drag
    marks.push(mark);
    if (marks.length > 300) marks.shift();
    dirty = marked = true;
  }

  function untilNow(at_s) {
    const open = spans[spans.length - 1];
    if (open && open.until_s === Infinity) open.until_s = at_s;
  }

  function stands(it) {
    trace.error_N = it.mean_abs_error_N === null ? NaN : it.mean_abs_error_N;
    benchTold.interlock(it);
    benchTold.figures(byId("figures"), it);
    if (!it.latched) { untilNow(trace.last_s()); put(byId("trip"), ended ? byId("trip").textContent : ""); }
    showValues(it.values);
    showPace(it.pace);
    const pause = byId("pause");
    pause.setAttribute("aria-pressed", String(it.paused));
    put(pause, it.paused ? "Go on with the loop" : "Pause the loop");
    byId("compare").dataset.kept = String(it.kept !== null);
    comparer = it.comparer;
    put(byId("comparer"), COMPARER[comparer] || "");
    put(byId("kept"), it.kept === null ? "Nothing is kept yet." : "A setting is kept.");
  }

  // Pictures

  const FRAME_MS = 25;
  let drewAt = null, restUntil = 0;

  function draw() {
    requestAnimationFrame(draw);
    const now = performance.now();
    // A picture that took longer than a frame is followed by as long a rest: half of the time is left for whoever drives.
    if (drewAt !== null) { restUntil = now - drewAt > FRAME_MS ? 2 * now - drewAt : 0; drewAt = null; }
    if (about && now - actedAt > 250) { actedAt = now; benchTold.acting(byId("acting"), rules, trace.acting(1)); }
    if (!dirty || frozen || !panels || !trace.count || (now < restUntil && !marked)) return;
    dirty = false;
    drewAt = now;
    show(trace.view(false), trace.last_s());
  }

  function show(view, until_s) {
    const span_s = Number(byId("window").value), shaded = spans.map((span) => ({...span, until_s: Math.min(span.until_s, trace.last_s())}));
    ours = true;
    for (const panel of panels) {
      panel.it.setData(view.x, panel.series.map(({column, ...line}) => ({...line, values: view.lines[column]})));
      if (marked) panel.it.setMarks(marks.slice());
      if (spans.length) panel.it.setSpans(shaded);
    }
    panels[0].it.setRange(until_s - span_s, until_s);
    ours = marked = false;
    document.body.dataset.drawn = String(until_s - (trace.begun_s || 0));
  }

  /* Somebody zoomed: what is looked at must not run away. */
  function ranged() { if (!ours && !frozen) freeze(true, true); }

  function freeze(on, asItIs) {
    frozen = on ? {view: trace.view(true), at_s: trace.last_s()} : null;
    document.body.classList.toggle("frozen", on);
    const button = byId("freeze");
    button.setAttribute("aria-pressed", String(on));
    put(button, on ? "Go on drawing" : "Freeze the pictures");
    if (!on) { byId("back").value = 0; put(byId("back-told"), "now"); dirty = marked = true; }
    if (on && !asItIs) { show(frozen.view, frozen.at_s); }
    tell(on ? "The pictures are frozen; the loop goes on, and a stop works as ever." : "The pictures follow the loop.");
  }

  byId("freeze").addEventListener("click", () => freeze(!frozen));
  byId("back").addEventListener("input", () => {
    const back_s = Number(byId("back").value);
    if (!frozen) freeze(true, true);
    const first_s = frozen.view.x.length ? frozen.view.x[0] : 0, span_s = Number(byId("window").value);
    const until_s = Math.max(frozen.at_s + back_s * WINDOW_STEP_S, Math.min(frozen.at_s, first_s + span_s));
    put(byId("back-told"), back_s ? benchTold.number(frozen.at_s - until_s, 0) + " s before the freeze" : "the freeze");
    show(frozen.view, until_s);
  });
  byId("window").addEventListener("change", () => { if (frozen) show(frozen.view, frozen.at_s); dirty = true; });

  // Run

  let pacedAt = -1e9;
  const tellPace = benchControls.throttled((factor) => send({do: "pace", factor}));

  function showPace(factor) {
    if (performance.now() - pacedAt < 700 || document.activeElement === byId("pace-number")) return;
    byId("pace").value = Math.log2(factor);
    byId("pace-number").value = factor;
    byId("pace").setAttribute("aria-valuetext", factor + " times real time");
  }

  function paced(factor) {
    pacedAt = performance.now();
    byId("pace").setAttribute("aria-valuetext", factor + " times real time");
    tellPace(factor);
  }

  byId("pace").addEventListener("input", () => {
    const factor = Math.min(20, Math.max(0.25, Number((2 ** Number(byId("pace").value)).toPrecision(2))));
    byId("pace-number").value = factor;
    paced(factor);
  });
  byId("pace-number").addEventListener("change", (event) => {
    if (!event.target.checkValidity()) { event.target.reportValidity(); return; }
    byId("pace").value = Math.log2(Number(event.target.value));
    paced(Number(event.target.value));
  });
  byId("pause").addEventListener("click", () => send({do: byId("pause").getAttribute("aria-pressed") === "true" ? "resume" : "pause"}));
  for (const button of document.querySelectorAll("button[data-do]")) {
    button.addEventListener("click", () => {
      if (button.id === "compare") button.disabled = button.dataset.kept === "true";
      if (button.id === "compare") tell(comparer === "preparing" || comparer === "waiting"
        ? "comparing as soon as that is prepared; the loop goes on meanwhile" : "comparing: both settings run from the beginning");
      send({do: button.dataset.do});
    });
  }
  byId("rearm").addEventListener("submit", (event) => { event.preventDefault(); send({do: "rearm", cause: byId("cause").value}); });
  byId("save").addEventListener("submit", (event) => { event.preventDefault(); send({do: "save", name: byId("name").value}); });

  connect();
  requestAnimationFrame(draw);
})();
