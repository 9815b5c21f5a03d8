// A browser that speaks English drops a decimal comma in its own field for numbers without a word: 5,5 becomes 55.
// So fields for numbers are fields for text with the keyboard for numbers, where a comma is a point.
(() => {
  if (window.numberFieldsTakeCommas) return
  window.numberFieldsTakeCommas = true
  const own = Object.getOwnPropertyDescriptor(HTMLInputElement.prototype, "value")
  const turn = (within) => within.querySelectorAll("input[type=number]").forEach((field) => {
    field.type = "text"
    field.inputMode = "decimal"
    field.dataset.number = ""
  })
  new MutationObserver((changes) => changes.forEach((change) => change.addedNodes.forEach(
    (node) => node.querySelectorAll && turn(node.parentElement ?? node)
  ))).observe(document.body, { subtree: true, childList: true })
  turn(document)
  document.addEventListener("input", (event) => {
    const field = event.target
    if (!(field instanceof HTMLInputElement) || !("number" in field.dataset)) return
    const figures = own.get.call(field).replaceAll(",", ".").replaceAll("−", "-").replace(/[^\d.eE+-]/g, "")
    if (figures === own.get.call(field)) return
    const at = field.selectionStart
    own.set.call(field, figures)
    if (at !== null) field.setSelectionRange(Math.min(at, figures.length), Math.min(at, figures.length))
  }, true)
})()
