/* Fields and buttons. A button sends what stands in the fields along with the press: nothing typed can come too late,
   and nothing that comes back late writes over what is being typed. Where nobody hears, the form says so.
   Above them stands what they are about, beneath them a sentence that a screen reader says when it changes.
   JupyterLab has its own use for arrow keys, Enter and letters: they stay here. */
const PATIENCE_MS = 6000;

function control(field) {
  const kinds = { area: "textarea", choice: "select", unit: "select", radio: "fieldset" };
  const one = document.createElement(kinds[field.kind] || "input");
  if (field.kind === "number") { one.type = "number"; one.step = "any"; }
  if (field.kind === "area") { one.rows = 3; }
  if (field.hint) { one.placeholder = field.hint; }
  return one;
}

/* A group of radio buttons: its legend asks, its labels wrap, and its value is the text of the one that is chosen. */
function offerRadios(group, stem, offered) {
  for (const text of offered) {
    const label = document.createElement("label"), one = document.createElement("input"), words = document.createElement("span");
    one.type = "radio";
    one.name = stem;
    one.value = words.textContent = text;
    label.append(one, words);
    group.append(label);
  }
  Object.defineProperty(group, "value", {
    get() { const one = group.querySelector("input:checked"); return one ? one.value : ""; },
    set(text) { for (const one of group.querySelectorAll("input")) { one.checked = one.value === text; } },
  });
}

async function render({ model, el }) {
  await hears(model);
  const stem = "labcalc-" + Math.random().toString(36).slice(2) + "-";
  const controls = {}, silence = document.createElement("p"), said = document.createElement("p");
  const told = document.createElement("div"), form = document.createElement("div");
  let waiting = 0;
  el.classList.add("labcalc-control");
  told.className = "labcalc-about";
  form.className = "labcalc-form";
  el.append(told, form, said);
  el.addEventListener("keydown", function (event) {
    if (!event.ctrlKey && !event.metaKey && !event.altKey && event.key !== "Escape") { event.stopPropagation(); }
  });
  said.setAttribute("role", "status");
  said.setAttribute("aria-live", "polite");
  silence.setAttribute("role", "alert");

  function values() {
    const found = {};
    for (const [key, one] of Object.entries(controls)) { found[key] = one.value; }
    return found;
  }
  function send(button) {
    clearTimeout(waiting);
    waiting = setTimeout(function () {
      silence.textContent = "Nothing answers. If the kernel is busy, wait; if it has ended: menu Kernel, Restart Kernel and Run All Cells.";
    }, PATIENCE_MS);
    model.send({ button: button, values: values() });
  }
  let place = null;
  for (const field of model.get("fields")) {
    const one = controls[field.key] = control(field);
    one.addEventListener("change", function () { send(""); });
    if (field.kind === "unit") {  // beside the field before
      one.setAttribute("aria-label", field.label);
      place.append(one);
      continue;
    }
    const label = document.createElement(field.kind === "radio" ? "legend" : "label");
    one.id = stem + field.key;
    label.textContent = field.label;
    if (field.kind === "radio") {
      one.append(label);
      form.append(one);
      offerRadios(one, one.id, model.get("choices")[field.key] || []);
    } else {
      place = document.createElement("div");
      place.append(one);
      label.htmlFor = one.id;
      form.append(label, place);
    }
  }
  const row = document.createElement("div");
  row.className = "buttons";
  for (const button of model.get("buttons")) {
    const one = document.createElement("button");
    one.type = "button";
    one.textContent = button.label;
    one.title = button.hint;
    one.addEventListener("click", function () {
      if (button.key === "copy") {
        navigator.clipboard.writeText(model.get("copied")).then(
          function () { said.textContent = "Copied."; },
          function () { said.textContent = "The browser lets no page copy: mark the tables, and press Ctrl+C."; });
      }
      send(button.key);
    });
    row.append(one);
  }
  form.append(row, silence);

  function offer() {
    for (const [key, offered] of Object.entries(model.get("choices"))) {
      if (controls[key].tagName !== "SELECT") { continue; }
      const hint = controls[key].placeholder, none = hint ? [new Option(hint, "")] : [];
      controls[key].replaceChildren(...none, ...offered.map(function (text) { return new Option(text, text); }));
    }
  }
  function show(given) {
    for (const [key, value] of Object.entries(given)) { controls[key].value = value; }
  }
  function tell() {
    told.innerHTML = model.get("told");
    said.className = "labcalc-status " + model.get("kind");
    said.textContent = model.get("text");
  }
  model.on("change:choices", offer);
  model.on("change:told change:text change:kind", tell);
  model.on("msg:custom", function (message) {
    clearTimeout(waiting);
    silence.textContent = "";
    show(message.show || {});
    if (message.top) { el.closest(".labcalc-page").scrollIntoView({ block: "start" }); }
  });
  tell();
  offer();
  show(model.get("values"));
}

export default { render };
