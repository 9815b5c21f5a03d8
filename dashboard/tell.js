// What was pressed is gone with its form: whoever hears the page is told what came of it, and a keyboard goes on from
// there. Who has gone on to another field is left alone.
(() => {
  const say = document.getElementById("to-tell")
  if (!say) return
  let told = document.getElementById("told")
  if (!told) {
    told = document.createElement("div")
    told.id = "told"
    told.className = "unseen"
    told.setAttribute("role", "status")
    document.body.append(told)
  }
  const words = say.dataset.words
  setTimeout(() => { told.textContent = words }, 150) // a region that is new is heard only once it changes
  const at = document.activeElement
  const lost = !at || at === document.body || at.tagName === "MAIN" || at.id === "answer"
  const answer = document.getElementById("answer")
  if (!answer || !(lost || at.closest("[data-testid=stFormSubmitButton]"))) return
  answer.focus()
  setTimeout(() => { // what stands above it may have grown since
    if (document.activeElement === answer) answer.scrollIntoView({ block: "nearest" })
  }, 400)
})()
