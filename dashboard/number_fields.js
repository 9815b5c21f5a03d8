// Fields for figures are fields for text, so that what was typed arrives as it was typed and can be asked about: a
// browser's own field for numbers drops a comma without a word. They get the keyboard for numbers here.
(() => {
  if (window.numberFieldsHaveTheirKeyboard) return
  window.numberFieldsHaveTheirKeyboard = true
  const turn = (within) => within.querySelectorAll("[data-testid=stTextInput] input[autocomplete=off]").forEach(
    (field) => { field.inputMode = "decimal" }
  )
  new MutationObserver((changes) => changes.forEach((change) => change.addedNodes.forEach(
    (node) => node.querySelectorAll && turn(node.parentElement ?? node)
  ))).observe(document.body, { subtree: true, childList: true })
  turn(document)
})()
