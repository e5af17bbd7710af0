/* Starts the page's program; without it, or without what unpacks the chart library, the page keeps its still pictures. */
(() => {
  const root = document.documentElement;
  const still = (error) => {
    root.classList.remove("live");
    console.error(error);
  };

  async function unpackLibrary() {
    try {
      const packed = await fetch(`data:application/gzip;base64,${document.getElementById("library").textContent}`);
      const unpacked = await new Response(packed.body.pipeThrough(new DecompressionStream("gzip"))).blob();
      // As a file of its own it is parsed beside the page's thread.
      const script = document.createElement("script");
      script.src = URL.createObjectURL(new Blob([unpacked], {type: "text/javascript"}));
      await new Promise((loaded, failed) => {
        Object.assign(script, {onload: loaded, onerror: failed});
        document.head.append(script);
      });
      URL.revokeObjectURL(script.src);
    } catch (error) {
      still(error);
      throw error;
    }
  }

  try {
    if (!window.DecompressionStream || !window.IntersectionObserver) throw new Error("this browser is too old for the page's charts");
    startPage(unpackLibrary);
    root.dataset.ready = "yes";
  } catch (error) {
    still(error);
  }
})();
