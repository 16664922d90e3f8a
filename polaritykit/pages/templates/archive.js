// Finds sessions by name of session or track: "tom low" finds "tom_low".
"use strict";
(() => {
  const field = document.getElementById("find");
  const rows = [...document.querySelectorAll("#sessions tbody tr")];
  const count = document.getElementById("count");
  const plain = (text) => text.toLowerCase().replace(/[\s._-]+/g, " ").trim();
  const known = rows.map((row) => plain(row.dataset.finds));
  field.addEventListener("input", () => {
    const wanted = plain(field.value);
    let found = 0;
    rows.forEach((row, index) => {
      row.hidden = !known[index].includes(wanted);
      found += row.hidden ? 0 : 1;
    });
    count.textContent = !wanted ? "" : found ? `${found} of ${rows.length}` : "Nothing fits.";
  });
})();
