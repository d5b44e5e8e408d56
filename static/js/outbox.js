// What is written on this tablet goes out once, whatever the network does. A form with [data-outbox=KIND] is kept
// in IndexedDB first, then posted; what could not be posted waits and goes to /tablet/items/ in its order, under the
// id it was written with. The tray in the head says what waits. "outbox:changed" tells the page.
const TOKEN = "holdfast-tablet", OFFSET = "holdfast-offset-ms", EVERY = 10_000, AT_ONCE = 50

const opened = new Promise((done, fail) => {
  const asked = indexedDB.open("holdfast-outbox", 1)
  asked.onupgradeneeded = () => asked.result.createObjectStore("items", { keyPath: "seq", autoIncrement: true })
  asked.onsuccess = () => done(asked.result)
  asked.onerror = () => fail(asked.error)
})

async function items(mode, act) {
  const kept = (await opened).transaction("items", mode, { durability: "strict" })
  const asked = act(kept.objectStore("items"))
  return new Promise((done, fail) => {
    kept.oncomplete = () => done(asked.result)
    kept.onerror = kept.onabort = () => fail(kept.error)
  })
}
const waiting = () => items("readonly", all => all.getAll())
const keep = item => items("readwrite", all => all.add(item))
const drop = seq => items("readwrite", all => all.delete(seq))

const newId = () => crypto.randomUUID?.() ??
  "10000000-1000-4000-8000-100000000000".replace(/[018]/g, digit =>
    (+digit ^ (crypto.getRandomValues(new Uint8Array(1))[0] & (15 >> (+digit / 4)))).toString(16))

const here = () => JSON.parse(document.getElementById("offline")?.textContent ?? "{}")

function fieldsOf(form, presser) {
  const fields = Object.fromEntries(new FormData(form))
  if (presser?.name) fields[presser.name] = presser.value
  delete fields.csrfmiddlewaretoken
  return fields
}

function itemsOf(form, fields) {
  const { session, sign_on } = here()
  const item = { session, sign_on, at: new Date().toISOString(), offset_ms: Number(localStorage.getItem(OFFSET)) || 0 }
  if (form.dataset.outbox !== "looks") return [{ ...item, id: fields.sent_id || newId(), kind: form.dataset.outbox, fields }]
  return new FormData(form).getAll("look").map(step => ({ ...item, id: fields[`sent:${step}`] || newId(), kind: "step", fields: { step } }))
}

function csrf() {
  return document.querySelector("[name=csrfmiddlewaretoken]")?.value ?? ""
}

// One form, posted as the browser would; true when the server took or refused it, false when it has to wait.
async function post(form, presser) {
  const body = new URLSearchParams(new FormData(form))
  if (presser?.name) body.set(presser.name, presser.value)
  const answer = await fetch(form.action, { method: "POST", body, headers: { "HX-Request": "true" }, redirect: "manual", signal: AbortSignal.timeout(15_000) })
  if (answer.ok && answer.headers.has("HX-Redirect")) return () => go(answer.headers.get("HX-Redirect"))
  if (answer.status === 422) {
    const page = new DOMParser().parseFromString(await answer.text(), "text/html")
    return () => {
      document.querySelector("main").replaceWith(page.querySelector("main"))
      document.querySelector(".refusal")?.scrollIntoView({ block: "center" })
      document.querySelector("[data-takes-focus]")?.focus()
    }
  }
  return null
}

const go = address => new URL(address, location).pathname === location.pathname ? location.reload() : location.assign(address)

document.addEventListener("submit", async event => {
  const form = event.target.closest("form[data-outbox]")
  if (!form || form.dataset.plain) return
  event.preventDefault()
  const presser = event.submitter
  if (form.dataset.busy) return
  form.dataset.busy = "yes"
  try {
    const before = (await waiting()).length
    const kept = itemsOf(form, fieldsOf(form, presser))
    for (const item of kept) item.seq = await keep(item)
    const done = before ? null : await post(form, presser).catch(() => null)
    if (done) {
      for (const item of kept) await drop(item.seq)
      return done()
    }
    for (const field of document.querySelectorAll("[name=sent_id]")) field.value = newId()   // the page came with one for all
    form.reset()
    await drain()
  } catch {
    form.dataset.plain = "yes"   // no store in this browser: post it plainly
    form.requestSubmit(presser)
  } finally {
    delete form.dataset.busy
    tell()
  }
})

let draining = false
async function drain() {
  const all = await waiting()
  if (!all.length || draining) return tell()
  draining = true
  try {
    const token = localStorage.getItem(TOKEN)
    const headers = { "Content-Type": "application/json", ...(token ? { Authorization: `Bearer ${token}` } : { "X-CSRFToken": csrf() }) }
    const sent = all.slice(0, AT_ONCE), began = Date.now()
    const body = JSON.stringify({ items: sent.map(({ seq, ...item }) => item), clock: new Date().toISOString() })
    const answer = await fetch("/tablet/items/", { method: "POST", headers, body, credentials: token ? "omit" : "same-origin", signal: AbortSignal.timeout(20_000) })
    if (!answer.ok) return
    const { items: fates, clock } = await answer.json()
    localStorage.setItem(OFFSET, Math.round(Date.parse(clock) - (began + Date.now()) / 2))
    for (const [place, fate] of fates.entries()) {
      if (["stored", "repeated", "set aside"].includes(fate.status)) await drop(sent[place].seq)
      if (fate.status === "set aside") localStorage.setItem("holdfast-aside", 1 + (Number(localStorage.getItem("holdfast-aside")) || 0))
    }
    draining = false
    if (all.length > AT_ONCE) return drain()
    if (document.getElementById("offline")) location.reload()
  } catch { /* no network: they wait */ } finally {
    draining = false
    tell()
  }
}

async function tell() {
  const all = await waiting().catch(() => [])
  document.dispatchEvent(new CustomEvent("outbox:changed", { detail: all }))
  const tray = document.querySelector("[data-outbox-state]")
  if (!tray) return
  const aside = Number(localStorage.getItem("holdfast-aside")) || 0
  const is = all.length ? "waiting" : aside ? "staff" : "done"
  tray.dataset.is = is
  const mark = tray.querySelector("use")
  mark.setAttribute("href", mark.getAttribute("href").replace(/#.*/, `#m-${is}`))
  document.querySelector("[data-outbox-word]").textContent = all.length ? `${all.length} ${all.length === 1 ? "entry waits" : "entries wait"} on this tablet`
    : aside ? `${aside} set aside for staff` : "nothing waits here"
  document.querySelector("[data-outbox-why]").textContent = all.length ? `since ${new Date(all[0].at).toTimeString().slice(0, 5)}; kept, sent once`
    : aside ? "kept, not lost" : "all of it is in the log"
}

const pairs = document.querySelector("[data-pairs-with]")
if (pairs) localStorage.setItem(TOKEN, pairs.dataset.pairsWith)
for (const field of document.querySelectorAll("[data-tablet-token]")) field.value = localStorage.getItem(TOKEN) ?? ""

navigator.serviceWorker?.register("/worker.js").catch(() => {})
document.addEventListener("submit", event => {
  if (/\/sign-o(ut|ff)\/$/.test(event.target.action)) navigator.serviceWorker?.controller?.postMessage("forget")
})
addEventListener("online", drain)
setInterval(drain, EVERY)
drain()
