"use strict";
// The token has become a cookie: keep it out of the history, and of what is copied by hand.
history.replaceState(null, "", "/");

const again = document.getElementById("again");
again.addEventListener("click", () => location.reload());

// Keys belong to the dashboard while it is there, then to the one button that is left.
const focus = () => {
  if (document.body.classList.contains("-closed")) again.focus();
  else if (document.body.classList.contains("-loaded"))
    document.querySelector(".xterm-helper-textarea")?.focus();
};
new MutationObserver(focus).observe(document.body, {
  attributes: true,
  attributeFilter: ["class"],
});
window.addEventListener("focus", focus);

// What the terminal opens is a file to download: that needs no window, which may not open unasked.
window.open = (address) => {
  const link = document.createElement("a");
  link.href = address;
  link.download = "";
  link.click();
  return null;
};

// The terminal measures its font once, when it starts: so the font must be there before it.
document.fonts.load("16px 'Roboto Mono'", "M\u28ff").finally(() => {
  const script = document.createElement("script");
  script.src = "/static/terminal.js";
  script.addEventListener("load", () => {
    // It starts on the window's load event, which may have been.
    if (document.readyState === "complete" && window.onload) window.onload(new Event("load"));
  });
  document.head.append(script);
});
