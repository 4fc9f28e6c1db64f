// The deck of steps: its numbers follow the swipe, and it is only as high as the card that is looked at.

function begin() {
  const deck = document.querySelector(".deck");
  if (!deck) return;
  const cards = [...deck.children];
  const marks = [...document.querySelectorAll(".deck-nav a")];
  const slow = matchMedia("(prefers-reduced-motion: reduce)").matches;
  let shown = -1;

  const look = () => {
    const at = Math.round(deck.scrollLeft / Math.max(1, cards[1] ? cards[1].offsetLeft - cards[0].offsetLeft : 1));
    if (at === shown) return;
    shown = at;
    marks.forEach((mark, n) => (n === at ? mark.setAttribute("aria-current", "true") : mark.removeAttribute("aria-current")));
    // What is out of sight is out of the way of the keyboard and of screen readers too.
    cards.forEach((card, n) => (card.inert = n !== at));
    fit();
  };
  const fit = () => {
    const card = cards[shown];
    if (card) deck.style.height = `${card.offsetHeight + deck.offsetHeight - deck.clientHeight}px`;
  };
  const go = (n) => {
    if (!cards[n]) return;
    deck.scrollTo({ left: cards[n].offsetLeft - cards[0].offsetLeft, behavior: slow ? "auto" : "smooth" });
  };

  marks.forEach((mark, n) =>
    mark.addEventListener("click", (event) => {
      event.preventDefault();
      go(n);
    }),
  );
  deck.addEventListener("keydown", (event) => {
    if (event.target !== deck && !event.target.closest(".deck-nav")) return;
    if (event.key === "ArrowRight") go(shown + 1);
    else if (event.key === "ArrowLeft") go(shown - 1);
    else return;
    event.preventDefault();
  });
  deck.addEventListener("scroll", look, { passive: true });
  deck.addEventListener("toggle", fit, { capture: true });
  new ResizeObserver(fit).observe(deck.parentElement);
  const asked = cards.findIndex((card) => `#${card.id}` === location.hash);
  if (asked > 0) deck.scrollLeft = cards[asked].offsetLeft - cards[0].offsetLeft;
  look();
}

begin();
document.addEventListener("page-shown", begin);
