// After a page has come: its name in the title, and the focus where a reader goes on.
window.yieldwatch = {
  first: true,
  arrived() {
    const main = document.getElementById("main");
    const head = main && main.querySelector("h1");
    if (!head) return;
    document.title = head.textContent + " · yieldwatch";
    if (!window.yieldwatch.first) { main.focus({preventScroll: true}); window.scrollTo(0, 0); }
    window.yieldwatch.first = false;
  },
};
