// Light or dark as the device says, or as the switch says; kept on this device only. Loaded before the page is drawn.
const order = ["auto", "light", "dark"];
const read = () => { try { return localStorage.getItem("theme") || "auto"; } catch { return "auto"; } };
const apply = (theme) => {
  if (theme === "auto") delete document.documentElement.dataset.theme;
  else document.documentElement.dataset.theme = theme;
};
apply(read());
addEventListener("DOMContentLoaded", () => {
  const button = document.querySelector("button.theme");
  const say = (theme) => { button.setAttribute("aria-label", button.dataset[theme]); button.title = button.dataset[theme]; };
  say(read());
  button.addEventListener("click", () => {
    const next = order[(order.indexOf(read()) + 1) % order.length];
    try { localStorage.setItem("theme", next); } catch { /* this page only, then */ }
    apply(next);
    say(next);
  });
});
