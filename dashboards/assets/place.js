// After a page has come: its name in the title, and the focus where a reader goes on.
window.dash_clientside = Object.assign({}, window.dash_clientside, {
  yieldwatch: {
    first: true,
    arrived() {
      const own = window.dash_clientside.yieldwatch;
      const main = document.getElementById("main");
      const head = main && main.querySelector("h1");
      if (!head) return "";
      document.title = head.textContent + " · yieldwatch";
      if (!own.first) { main.focus({preventScroll: true}); window.scrollTo(0, 0); }
      own.first = false;
      return "";
    },
    // A point of a picture leads where it says.
    taken(click) {
      const to = click && click.points.length && click.points[0].customdata;
      return typeof to === "string" && to.startsWith("/plan?") ? to : window.dash_clientside.no_update;
    },
  },
});

// The file chooser that its component hides needs a name for those who hear the page.
new MutationObserver(() => {
  for (const input of document.querySelectorAll("input[type=file]:not([aria-label])")) input.setAttribute("aria-label", "File");
}).observe(document, {childList: true, subtree: true});

// A table wider than its place says that it scrolls.
const tables = new ResizeObserver((entries) => {
  for (const { target } of entries) target.classList.toggle("wide", target.scrollWidth > target.clientWidth + 1);
});
new MutationObserver(() => {
  for (const table of document.querySelectorAll(".scroll:not([data-seen])")) { table.dataset.seen = "1"; tables.observe(table); }
}).observe(document, {childList: true, subtree: true});

// Tables and the like come as one piece of HTML, escaped by the server, instead of a component for each cell.
const pieces = new WeakMap();
new MutationObserver(() => {
  for (const piece of document.querySelectorAll("[data-html]")) {
    if (pieces.get(piece) === piece.dataset.html) continue;
    pieces.set(piece, piece.dataset.html);
    piece.innerHTML = piece.dataset.html;
  }
}).observe(document, {childList: true, subtree: true, attributeFilter: ["data-html"]});

// A link in such a piece is followed as any other within the application.
document.addEventListener("click", (event) => {
  const link = event.target.closest && event.target.closest("a[data-in]");
  if (!link || event.defaultPrevented || event.button || event.metaKey || event.shiftKey || event.altKey || event.ctrlKey) return;
  event.preventDefault();
  window.history.pushState({}, "", link.getAttribute("href"));
  window.dispatchEvent(new CustomEvent("_dashprivate_pushstate"));
  window.scrollTo(0, 0);
});
