/* The settings: a slider and a number for each control of the scenario, fields and a button for each fault.
   All words come from the scenario and go in as text. */
var benchControls = (function () {
  "use strict";

  const GROUPS = {law: "Control law", estimator: "Force sensor", wearer: "Wearer"};
  const SEND_EVERY_MS = 40, TOUCHED_MS = 700;

  function made(name, kind, words) {
    const element = document.createElement(name);
    if (kind) element.className = kind;
    if (words !== undefined && words !== null) element.textContent = words;
    return element;
  }

  function numberField(bounds, value, label) {
    const field = made("input");
    Object.assign(field, {type: "number", min: bounds.low, max: bounds.high, step: bounds.step || "any", value: value});
    if (label) field.setAttribute("aria-label", label);
    return field;
  }

  function unitWords(unit) { return unit === "1" ? "" : unit; }

  /* The words without the unit, which stands beside the number, and without where a value comes from. */
  function plainLabel(label, unit) {
    const bare = label.replace(/, no unit(?= |$)/, "").replace(/ \([^)]*memory\)$/, "").replace(/, instead of \w+$/, "")
      .replace(new RegExp(", " + unit.replace(/[^\w]/g, "\\$&") + "(?= \\(|$)"), "");
    return bare.charAt(0).toUpperCase() + bare.slice(1);
  }

  /* Send at once, then not more often than so many ms, and always the last. */
  function throttled(send) {
    let waiting = null, timer = null;
    return (value) => {
      if (timer !== null) { waiting = value; return; }
      send(value);
      timer = setTimeout(function again() {
        timer = null;
        if (waiting === null) return;
        const next = waiting;
        waiting = null;
        send(next);
        timer = setTimeout(again, SEND_EVERY_MS);
      }, SEND_EVERY_MS);
    };
  }

  function row(control, send) {
    const box = made("div", "control"), id = "c-" + control.key.replace(/[^A-Za-z0-9]/g, "-");
    const unit = unitWords(control.unit), label = made("label", "", plainLabel(control.label, control.unit));
    const slider = made("input"), field = numberField(control, control.value, "Number for: " + label.textContent + (unit ? ", " + unit : ""));
    Object.assign(slider, {type: "range", id, min: control.low, max: control.high, step: control.step, value: control.value});
    label.htmlFor = id;
    box.dataset.key = control.key;
    box.title = control.key;
    label.append(" ", made("code", "", control.key.split(".").pop()));
    const said = () => slider.setAttribute("aria-valuetext", slider.value + (unit ? " " + unit : ""));
    said();
    const entry = {box, slider, field, touched: -1e9};
    const tell = throttled((value) => send({do: "set", key: control.key, value}));
    slider.addEventListener("input", () => {
      field.value = slider.value;
      entry.touched = performance.now();
      said();
      tell(Number(slider.value));
    });
    field.addEventListener("change", () => {
      if (field.value === "" || !field.checkValidity()) { field.reportValidity(); return; }
      slider.value = field.value;
      entry.touched = performance.now();
      said();
      tell(Number(field.value));
    });
    entry.show = (value) => {
      if (performance.now() - entry.touched < TOUCHED_MS || document.activeElement === field) return;
      if (Number(field.value) === value) return;
      slider.value = value;
      field.value = value;
      said();
    };
    box.append(label, slider, field, made("span", "unit", unit));
    return entry;
  }

  /* Build all controls; the answer shows the values that the loop has. */
  function build(host, controls, send) {
    host.textContent = "";
    const rows = new Map(), groups = new Map();
    for (const control of controls) {
      if (!groups.has(control.group)) {
        const group = made("fieldset");
        group.append(made("legend", "", GROUPS[control.group] || control.group));
        host.append(group);
        groups.set(control.group, group);
      }
      const entry = row(control, send);
      groups.get(control.group).append(entry.box);
      rows.set(control.key, entry);
    }
    return (values) => {
      for (const [key, value] of Object.entries(values || {})) if (rows.has(key)) rows.get(key).show(value);
    };
  }

  function faultField(field) {
    const label = made("label"), words = plainLabel(field.label, field.unit || "");
    const short = {for_s: "for", channel: "on the", contact_share: "share that still touches", missing_share: "share missing",
      offset_N: "adds", gain: "times"}[field.name] || field.name;
    let input;
    if (field.choices) {
      input = made("select");
      for (const choice of field.choices) input.append(Object.assign(made("option", "", choice), {value: choice}));
    } else {
      input = numberField(field, field.value);
    }
    input.name = field.name;
    input.title = words;
    label.append(made("span", "", short), input, made("span", "", unitWords(field.unit || "1")));
    return {label, input, number: !field.choices};
  }

  function faults(host, kinds, send) {
    host.textContent = "";
    for (const fault of kinds) {
      const box = made("form", "fault"), button = made("button", "", fault.kind.replaceAll("-", " ")), fields = made("div", "fields");
      const inputs = fault.fields.map(faultField), words = made("span", "hint", fault.label);
      box.dataset.kind = fault.kind;
      words.id = "f-" + fault.kind;
      button.setAttribute("aria-describedby", words.id);
      fields.append(...inputs.map((entry) => entry.label));
      box.append(button, words, fields);
      box.addEventListener("submit", (event) => {
        event.preventDefault();
        const asked = {do: "fault", kind: fault.kind};
        for (const entry of inputs) asked[entry.input.name] = entry.number ? Number(entry.input.value) : entry.input.value;
        send(asked);
      });
      host.append(box);
    }
  }

  return {build, faults, made, throttled, plainLabel, unitWords};
})();
