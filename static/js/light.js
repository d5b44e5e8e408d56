"use strict"
// Day and dim light: the sheet follows the device until someone presses the switch.
// In a block of its own, because it must run before the first paint and so cannot be a module.
{
  const sheet = document.documentElement
  const kept = read()
  if (kept) sheet.dataset.light = kept

  function read() {
    try { return localStorage.getItem("light") } catch { return null }  // storage may be shut off
  }

  function keep(light) {
    try { localStorage.setItem("light", light) } catch { /* then the choice lasts as long as the page */ }
  }

  function isDim() {
    const chosen = sheet.dataset.light
    return chosen ? chosen === "dim" : matchMedia("(prefers-color-scheme: dark)").matches
  }

  function nameSwitches() {
    for (const press of document.querySelectorAll("[data-light-switch]")) {
      press.hidden = false
      press.textContent = isDim() ? "Day" : "Dim"
    }
  }

  document.addEventListener("click", event => {
    if (!event.target.closest("[data-light-switch]")) return
    sheet.dataset.light = isDim() ? "day" : "dim"
    keep(sheet.dataset.light)
    nameSwitches()
  })
  document.addEventListener("DOMContentLoaded", nameSwitches)
  document.addEventListener("htmx:afterSettle", nameSwitches)
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", nameSwitches)
}
