// The first drawing of a visit needs the library's largest file, a second or more to fetch and read: done ahead, once
// the page has been left alone for a moment, where there is a pointer and room; a phone draws when it is asked to.
(() => {
  const wait_ms = 1500
  if (window.drawingIsReady || !matchMedia("(min-width: 700px) and (pointer: fine)").matches) return
  window.drawingIsReady = true
  const main = document.querySelector('script[type="module"][src*="static/js/"]')
  const ready = () => import(new URL("DRAWING", main.src).href).catch(() => {})
  let timer = 0
  const again = () => { clearTimeout(timer); timer = setTimeout(begin, wait_ms) }
  const begin = () => {
    removeEventListener("pointerdown", again, true); removeEventListener("keydown", again, true)
    ready()
  }
  if (!main) return
  addEventListener("pointerdown", again, true); addEventListener("keydown", again, true)
  again()
})()
