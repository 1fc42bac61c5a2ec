// Sorting and filtering of the shortlist, and opening everything for print. The pages read without it.
(() => {
  "use strict";
  addEventListener("beforeprint", () => {
    for (const folded of document.querySelectorAll("details")) folded.open = true;
  });

  const form = document.querySelector("form.tools");
  if (!form) return;
  const list = document.querySelector("ol.cards");
  const status = document.querySelector(".status");
  const cards = [...list.children].map((item) => ({ item, text: item.textContent.toLowerCase() }));

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
    status.textContent = shown === cards.length ? `${shown} adverts` : `${shown} of ${cards.length} adverts shown`;
  };

  form.addEventListener("input", show);
  form.addEventListener("submit", (event) => event.preventDefault());
  form.hidden = false;
  show();
})();
