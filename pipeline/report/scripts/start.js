/* Unpacks the chart library and starts the page's program; without it the page keeps its still pictures. */
(async () => {
  const root = document.documentElement;
  try {
    const bytes = Uint8Array.from(atob(document.getElementById("library").textContent), (letter) => letter.charCodeAt(0));
    const stream = new Blob([bytes]).stream().pipeThrough(new DecompressionStream("gzip"));
    const script = document.createElement("script");
    script.textContent = await new Response(stream).text();
    document.head.append(script);
    startPage();
    root.dataset.usable = "yes";
  } catch (error) {
    root.classList.remove("live");
    console.error(error);
  }
})();
