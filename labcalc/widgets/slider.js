/* A slider as the browser has it: name, value with unit and keys come from the element itself. */
function written(model, value) {
  const sign = model.get("signed") && value > 0 ? "+" : "";
  const digits = Math.abs(value).toFixed(model.get("decimals"));
  const minus = value < 0 && Number(digits) !== 0 ? "\u2212" : "";
  return (minus || (Number(digits) === 0 ? "" : sign)) + digits + "\u00a0" + model.get("unit");
}

async function render({ model, el }) {
  await hears(model);
  const label = document.createElement("label");
  const range = document.createElement("input");
  const output = document.createElement("output");
  const remark = document.createElement("small");
  range.type = "range";
  range.id = "labcalc-slider-" + Math.random().toString(36).slice(2);
  remark.id = range.id + "-remark";
  label.htmlFor = output.htmlFor = range.id;
  range.setAttribute("aria-describedby", remark.id);
  output.setAttribute("aria-hidden", "true");
  el.classList.add("labcalc-slider");
  el.append(label, range, output, remark);

  function draw() {
    label.textContent = model.get("name");
    remark.textContent = model.get("remark");
    range.min = model.get("lowest");
    range.max = model.get("highest");
    range.step = model.get("step");
    range.disabled = model.get("disabled");
    if (document.activeElement !== range || Math.abs(range.valueAsNumber - model.get("value")) > model.get("step")) {
      range.value = model.get("value");
    }
    say();
  }
  function say() {
    output.textContent = written(model, range.valueAsNumber);
    range.setAttribute("aria-valuetext", output.textContent);
  }
  range.addEventListener("input", function () {
    say();
    model.set("value", range.valueAsNumber);
    model.save_changes();
  });
  model.on("change", draw);
  draw();
}

export default { render };
