// Parts of the page are drawn anew when the job changes; whoever works from the keyboard stays at the same key.
let last = null;
const key = (e) => `${e.tagName} ${e.dataset.op || ""} ${e.dataset.key || ""}`;
document.addEventListener("focusin", ({ target }) => { if (target.dataset && (target.dataset.op || target.dataset.key)) last = { target, key: key(target) }; else last = null; });
document.addEventListener("DOMContentLoaded", () =>
  new MutationObserver(() => {
    if (!last || last.target.isConnected || document.activeElement !== document.body) return;
    [...document.querySelectorAll("[data-op], [data-key]")].find((e) => key(e) === last.key)?.focus({ preventScroll: true });
  }).observe(document.body, { childList: true, subtree: true }));
