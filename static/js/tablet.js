// Without a network the session page goes on: what waits on this tablet is applied to the states it came with, and
// the step card shows the next step that is possible then. Gates are those last known, and the card says so.
const offline = JSON.parse(document.getElementById("offline")?.textContent ?? "null")

function after(items) {
  let states = { ...offline.states }, last = offline.last_step
  for (const item of items) {
    if (item.session !== offline.session) continue
    const taken = item.kind === "step" ? [...(item.fields.through ?? "").split(" "), item.fields.step] : []
    for (const id of taken) {
      const step = offline.steps.find(step => step.id === id)
      if (step) Object.assign(states, step.sets)
      if (step && (step.kind ?? "step") === "step") last = id
    }
    if (item.kind === "anyway") {
      const [device, state] = item.fields.what.split("=")
      states[device] = state
    }
  }
  return { states, last }
}

function next(items) {
  const { states, last } = after(items)
  const able = new Set(runSheet.possible(offline, states))
  const unknown = offline.steps.find(step => step.kind === "look" && able.has(step.id)
    && Object.keys(step.sets ?? {}).some(device => states[device] === "unknown"))
  if (unknown) return unknown
  const listed = offline.steps.filter(step => (step.kind ?? "step") === "step")
  const place = listed.findIndex(step => step.id === last) + 1
  return [...listed.slice(place), ...listed.slice(0, place)].find(step => able.has(step.id))
}

// Looks that wait on this tablet are done for whoever holds it; the round goes when all of it is.
function fold(items) {
  const kept = new Set(items.filter(item => item.kind === "step").map(item => item.fields.step))
  const round = document.querySelector("[data-looks]")
  if (!round) return
  const lines = [...round.querySelectorAll("[name=look]")].map(box => [box.closest("li"), kept.has(box.value)])
  for (const [line, done] of lines) line.hidden = done
  round.hidden = lines.every(([, done]) => done)
}

document.addEventListener("outbox:changed", event => {
  if (!offline || !event.detail.some(item => item.session === offline.session)) return
  fold(event.detail)
  const card = document.querySelector(".step"), step = next(event.detail)
  if (!card || !step) return
  card.querySelector(".step-says").textContent = step.says
  const why = card.querySelector(".step-why")
  if (why) why.textContent = step.why ?? ""
  const gates = card.querySelector(".conditions")
  if (gates) gates.textContent = (step.gates ?? []).length ? "No network: conditions are those last known. Look yourself before you go on." : ""
  const form = card.querySelector("form[data-outbox]")
  if (!form) return
  form.querySelector("[name=step]").value = step.id
  form.querySelector("[name=through]")?.remove()
  for (const part of form.querySelectorAll(".field, details")) part.hidden = !(part.contains(form.elements.holder) && (step.marks ?? []).includes("load"))
})
