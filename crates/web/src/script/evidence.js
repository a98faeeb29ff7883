// A bag of evidence that is being made: how far it is, and the page anew when it is there.
(() => {
  const making = document.querySelector("[data-making]");
  if (!making) return;
  const bar = making.parentElement.querySelector("progress");
  setInterval(async () => {
    try {
      const bag = await (await fetch(making.dataset.making)).json();
      if (bag.stage === "making") { making.textContent = bag.says; if (bar && bag.done) bar.value = bag.done; } else location.reload();
    } catch { /* asked again in a moment */ }
  }, 500);
})();
