// A guided test: the page follows what the signals say. A step that is answered brings the page anew.
(() => {
  const guide = document.querySelector(".guide[data-live]");
  if (!guide) return;
  const source = new EventSource(guide.dataset.live), says = guide.querySelector("[data-part=says]");
  let leaving = false;
  source.addEventListener("guide", (event) => {
    const now = JSON.parse(event.data);
    if (String(now.at) !== guide.dataset.at) {
      // Not while somebody writes their name.
      const field = guide.querySelector("input[name=author]");
      if (leaving || document.activeElement === field || field.value !== field.defaultValue) return;
      leaving = true; location.reload();
    } else if (says && says.textContent !== now.says) says.textContent = now.says.replaceAll("`", "");
  });
})();
