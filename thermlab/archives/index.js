
"use strict";
(function () {
  var table = document.querySelector("table");
  var body = table.tBodies[0];
  var rows = Array.from(body.rows);
  var texts = rows.map(function (row) { return row.textContent.toLowerCase(); });
  var tools = document.getElementById("tools");
  var label = document.createElement("label");
  label.textContent = "Search the list ";
  var field = document.createElement("input");
  field.type = "search";
  field.autocomplete = "off";
  label.appendChild(field);
  var count = document.createElement("p");
  count.setAttribute("role", "status");
  tools.append(label, count);
  function filter() {
    var words = field.value.toLowerCase().split(/\s+/).filter(Boolean);
    var shown = 0;
    rows.forEach(function (row, i) {
      var hit = words.every(function (word) { return texts[i].includes(word); });
      row.hidden = !hit;
      shown += hit ? 1 : 0;
    });
    count.textContent = shown + " of " + rows.length + " shown";
  }
  field.addEventListener("input", filter);
  filter();
  Array.from(table.tHead.rows[0].cells).forEach(function (cell, column) {
    var button = document.createElement("button");
    button.type = "button";
    button.textContent = cell.textContent;
    cell.textContent = "";
    cell.appendChild(button);
    button.addEventListener("click", function () {
      var up = cell.getAttribute("aria-sort") !== "ascending";
      Array.from(cell.parentNode.cells).forEach(function (other) { other.removeAttribute("aria-sort"); });
      cell.setAttribute("aria-sort", up ? "ascending" : "descending");
      var keys = new Map(rows.map(function (row) { return [row, row.cells[column].textContent]; }));
      rows.slice().sort(function (a, b) {
        return (up ? 1 : -1) * keys.get(a).localeCompare(keys.get(b), "en", {numeric: true});
      }).forEach(function (row) { body.appendChild(row); });
    });
  });
})();
