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
