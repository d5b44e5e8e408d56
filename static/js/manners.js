// Small manners of a page: [data-prints] prints it, [data-takes-focus] is where reading goes on after a swap,
// and an open Contents closes on Escape or on a press elsewhere.
document.addEventListener("click", event => {
  if (event.target.closest("[data-prints]")) window.print()
  for (const book of document.querySelectorAll("details.book[open]")) {
    if (!book.contains(event.target)) book.open = false
  }
})

document.addEventListener("keydown", event => {
  if (event.key !== "Escape") return
  const book = document.querySelector("details.book[open]")
  if (!book) return
  book.open = false
  book.querySelector("summary").focus()
})

function showPresses() {
  for (const press of document.querySelectorAll("[data-prints][hidden]")) press.hidden = false
}

function takeFocus(root) {
  root.querySelector?.("[data-takes-focus]")?.focus()
}

// The pad's read-out follows its keys; without a script it shows what the page came with.
document.addEventListener("change", event => {
  const pad = event.target.closest("[data-pad]")
  if (!pad) return
  const chosen = part => pad.querySelector(`input[name$="${part}"]:checked`)?.value
  const readout = pad.querySelector("[data-pad-readout]")
  readout.querySelector("b").textContent = `${chosen("figure") ?? "–"}.${chosen("tenth") ?? "0"}`
  readout.querySelector("sup").textContent = (chosen("power") ?? "–").replace("-", "−")
})

showPresses()
takeFocus(document)
document.addEventListener("htmx:afterSettle", event => {
  showPresses()
  takeFocus(event.target)
})
