(function () {
  "use strict";
  var RANKS = ["no report", "not releasable", "needs a second look", "releasable"], STEP = window.innerWidth < 640 ? 40 : 300;
  var rows = JSON.parse(document.getElementById("runs").textContent), shown = rows, room = STEP, sorted = "", down = false;
  var form = document.querySelector(".filters"), body = document.querySelector(".runs tbody");
  var status = form.querySelector("[role=status]"), more = document.querySelector(".more");
  var heads = Array.from(document.querySelectorAll(".runs th[data-name]"));
  var compare = new Intl.Collator("en", { numeric: true }).compare;
  rows.forEach(function (row) {
    row.day = row.measured.slice(0, 10);
    row.all = [row.sample, row.name, row.product, row.instrument, row.operator, row.verdict, row.line, row.to_do, row.measured].join(" ").toLowerCase();
  });

  function link(href, text) {
    var one = document.createElement("a");
    one.href = href;
    one.textContent = text;
    return one;
  }

  function line(row) {
    var tr = document.createElement("tr");
    heads.forEach(function (head) {
      var name = head.dataset.name, cell = document.createElement(name === "sample" ? "th" : "td");
      if (name === "sample") {
        cell.scope = "row";
        cell.append(row.href ? link(row.href, row.sample) : row.sample);
        if (row.pdf) { cell.append(" ", link(row.pdf, "PDF")); cell.lastChild.setAttribute("aria-label", "PDF of " + row.sample); }
      } else {
        cell.dataset.label = head.dataset.label;
        if (name === "verdict") {
          var state = document.createElement("span");
          state.className = "state " + row.css;
          state.textContent = row.verdict;
          cell.append(state);
        } else { cell.textContent = name === "line" && row.brief || row[name]; }
      }
      tr.append(cell);
    });
    return tr;
  }

  function show() {
    body.replaceChildren.apply(body, shown.slice(0, room).map(line));
    more.hidden = shown.length <= room;
    var words = (shown.length === rows.length ? "" : shown.length + " of ") + rows.length + (rows.length === 1 ? " run" : " runs");
    status.textContent = words + (sorted ? ", sorted by " + sorted + (down ? ", descending" : ", ascending") : "") + ".";
  }

  function choose() {
    var words = form.elements.text.value.toLowerCase().split(/\s+/).filter(Boolean);
    var wanted = ["verdict", "instrument", "product", "day"].filter(function (name) { return form.elements[name].value; });
    shown = rows.filter(function (row) {
      return words.every(function (word) { return row.all.includes(word); }) &&
        wanted.every(function (name) { return row[name] === form.elements[name].value; });
    });
    room = STEP;
    show();
  }

  function sortBy(head) {
    var name = head.dataset.name;
    down = sorted === head.dataset.label && !down;
    sorted = head.dataset.label;
    rows.sort(function (a, b) {
      var order = name === "verdict" ? RANKS.indexOf(a.verdict) - RANKS.indexOf(b.verdict) : compare(a[name], b[name]);
      return down ? -order : order;
    });
    heads.forEach(function (one) { one.removeAttribute("aria-sort"); });
    head.setAttribute("aria-sort", down ? "descending" : "ascending");
    choose();
  }

  heads.forEach(function (head) {
    var button = document.createElement("button");
    button.type = "button";
    button.textContent = head.dataset.label = head.textContent;
    button.addEventListener("click", function () { sortBy(head); });
    head.replaceChildren(button);
  });
  ["verdict", "instrument", "product", "day"].forEach(function (name) {
    var known = Array.from(new Set(rows.map(function (row) { return row[name]; }))).filter(Boolean).sort(compare);
    if (name === "day") { known.reverse(); }
    known.forEach(function (one) { form.elements[name].add(new Option(one, one)); });
    form.elements[name].closest("label").hidden = known.length < 2;
  });
  form.addEventListener("input", choose);
  form.addEventListener("submit", function (event) { event.preventDefault(); });
  form.addEventListener("reset", function () { setTimeout(choose); });
  more.addEventListener("click", function () { room += STEP; show(); });
  form.hidden = false;
  show();
  document.documentElement.dataset.ready = "yes";
})();
