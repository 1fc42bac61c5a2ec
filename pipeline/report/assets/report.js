// Sorting, filtering and comparing, and opening everything for print. The pages read without it.
(() => {
  "use strict";
  addEventListener("beforeprint", () => {
    for (const folded of document.querySelectorAll("details:not(.weak)")) folded.open = true;
  });
  // a link to a finding opens what it is folded into
  const unfold = () => {
    const folded = location.hash.length > 1 && document.getElementById(location.hash.slice(1))?.closest("details");
    if (folded && !folded.open) {
      folded.open = true;
      document.getElementById(location.hash.slice(1)).scrollIntoView();
    }
  };
  addEventListener("hashchange", unfold);
  unfold();

  if (document.querySelector("ol.cards")) shortlist();
  if (document.querySelector("table.compare")) compare();

  function shortlist() {
    const form = document.querySelector("form.tools");
    const list = document.querySelector("ol.cards");
    const status = document.querySelector(".status");
    const said = (item) => [...item.querySelectorAll(".what, .sum tbody")].map((part) => part.textContent).join(" ");
    const cards = [...list.children].map((item) => ({ item, text: said(item).toLowerCase() }));

    // Adverts without a price go last whichever way prices run.
    const price = (card, otherwise) => (card.item.dataset.price === "" ? otherwise : Number(card.item.dataset.price));
    const rank = (a, b) => a.item.dataset.rank - b.item.dataset.rank;
    const orders = {
      "rank": rank,
      "refinished-down": (a, b) => b.item.dataset.refinished - a.item.dataset.refinished,
      "price": (a, b) => price(a, Infinity) - price(b, Infinity),
      "price-down": (a, b) => price(b, -Infinity) - price(a, -Infinity),
      "title": (a, b) => a.item.dataset.title.localeCompare(b.item.dataset.title),
    };

    const show = () => {
      const wanted = new Set(new FormData(form).getAll("decision"));
      const words = form.words.value.toLowerCase().split(/\s+/).filter(Boolean);
      let shown = 0;
      for (const card of cards) {
        const fits = wanted.has(card.item.dataset.decision) && words.every((word) => card.text.includes(word));
        card.item.hidden = !fits;
        shown += fits;
      }
      // Infinity - Infinity is NaN, which counts as a tie here: then the rank decides
      list.append(...[...cards].sort((a, b) => orders[form.sort.value](a, b) || rank(a, b)).map((card) => card.item));
      status.textContent = shown === cards.length ? `${shown} ${shown === 1 ? "advert" : "adverts"}` : `${shown} of ${cards.length} adverts shown`;
    };

    form.addEventListener("input", show);
    form.addEventListener("submit", (event) => event.preventDefault());
    form.hidden = false;
    show();

    const bar = document.querySelector(".side-by-side");
    if (!bar) return;
    const boxes = [...list.querySelectorAll(".pick input")];
    const told = bar.querySelector("[role=status]");
    const link = bar.querySelector("a");
    const choose = (refused) => {
      const chosen = boxes.filter((box) => box.checked).map((box) => Number(box.value)).sort((a, b) => a - b);
      bar.hidden = chosen.length === 0;
      link.hidden = chosen.length < 2;
      link.href = `compare.html#${chosen.join(",")}`;
      const more = chosen.length < 2 ? ": choose another" : "";
      told.textContent = `${chosen.length} chosen${refused ? `; ${bar.dataset.most} at most` : more}`;
    };
    for (const box of boxes) {
      box.closest("label").hidden = false;
      box.addEventListener("change", () => choose(keepTo(bar.dataset.most, boxes, box)));
    }
    addEventListener("pageshow", () => choose(false)); // a browser may bring ticks back with the page
  }

  function compare() {
    const form = document.querySelector("form.choose");
    const boxes = [...form.querySelectorAll("input")];
    const status = document.querySelector(".status");
    const table = document.querySelector("table.compare");
    const rows = table.querySelectorAll("tr:not(.group)");
    const group = table.querySelector("tr.group th");

    const show = (refused) => {
      const chosen = new Set(boxes.filter((box) => box.checked).map((box) => Number(box.value)));
      for (const row of rows) [...row.cells].forEach((cell, place) => (cell.hidden = place > 0 && !chosen.has(place)));
      group.colSpan = chosen.size + 1;
      table.style.setProperty("--shown", chosen.size);
      status.textContent =
        `${chosen.size} of ${boxes.length} adverts shown` + (refused ? `; ${form.dataset.most} at most` : "");
    };
    const read = () => {
      const wanted = location.hash.slice(1).split(",").map(Number).filter((place) => boxes[place - 1]);
      const chosen = wanted.length ? wanted.slice(0, form.dataset.most) : [1, 2];
      for (const box of boxes) box.checked = chosen.includes(Number(box.value));
      form.querySelector("details").open = wanted.length === 0;
      show(false);
    };
    for (const box of boxes) {
      box.addEventListener("change", () => {
        const refused = keepTo(form.dataset.most, boxes, box);
        const chosen = boxes.filter((other) => other.checked).map((other) => other.value);
        history.replaceState(null, "", chosen.length ? `#${chosen.join(",")}` : location.pathname);
        show(refused);
      });
    }
    addEventListener("hashchange", read);
    form.hidden = false;
    read();
  }

  // Takes the last tick back where there are too many, and says so.
  function keepTo(most, boxes, last) {
    const refused = boxes.filter((box) => box.checked).length > Number(most);
    if (refused) last.checked = false;
    return refused;
  }
})();
