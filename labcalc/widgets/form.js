/* Fields and buttons. A button sends what stands in the fields along with the press: nothing typed can come too late,
   and nothing that comes back late writes over what is being typed. */
function control(field) {
  const kinds = { area: "textarea", choice: "select", unit: "select" };
  const one = document.createElement(kinds[field.kind] || "input");
  if (field.kind === "number") { one.type = "number"; one.step = "any"; }
  if (field.kind === "area") { one.rows = 3; }
  if (field.hint) { one.placeholder = field.hint; }
  return one;
}

function render({ model, el }) {
  const stem = "labcalc-" + Math.random().toString(36).slice(2) + "-";
  const controls = {};
  el.classList.add("labcalc-form");

  function values() {
    const found = {};
    for (const [key, one] of Object.entries(controls)) { found[key] = one.value; }
    return found;
  }
  let place = null;
  for (const field of model.get("fields")) {
    const one = controls[field.key] = control(field);
    one.addEventListener("change", function () { model.send({ button: "", values: values() }); });
    if (field.kind === "unit") {  // beside the field before
      one.setAttribute("aria-label", field.label);
      place.append(one);
      continue;
    }
    const label = document.createElement("label");
    place = document.createElement("div");
    place.append(one);
    one.id = label.htmlFor = stem + field.key;
    label.textContent = field.label;
    el.append(label, place);
  }
  const row = document.createElement("div");
  row.className = "buttons";
  for (const button of model.get("buttons")) {
    const one = document.createElement("button");
    one.type = "button";
    one.textContent = button.label;
    one.title = button.hint;
    one.addEventListener("click", function () {
      if (button.key === "copy") { navigator.clipboard.writeText(model.get("copied")); }
      model.send({ button: button.key, values: values() });
    });
    row.append(one);
  }
  el.append(row);

  function offer() {
    for (const [key, offered] of Object.entries(model.get("choices"))) {
      const hint = controls[key].placeholder, none = hint ? [new Option(hint, "")] : [];
      controls[key].replaceChildren(...none, ...offered.map(function (text) { return new Option(text, text); }));
    }
  }
  function show(given) {
    for (const [key, value] of Object.entries(given)) { controls[key].value = value; }
  }
  model.on("change:choices", offer);
  model.on("msg:custom", function (message) { show(message.show); });
  offer();
  show(model.get("values"));
}

export default { render };
