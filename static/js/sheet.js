// Which steps of a run sheet are possible in a device state: the tablet's part of the rule, so that it can be
// asked without a network. Hazards, proof and the way back to rest stay with the server.
//   runSheet.possible(sheet, {gate_valve: "closed", arm: "home"}) -> ["open_gate", ...]
const runSheet = (() => {
  // Where a list of states stands, one state alone is a list of one.
  const holds = (condition, state) => Object.entries(condition ?? {}).every(([device, states]) =>
    Object.hasOwn(state, device) && [states].flat().includes(state[device]))

  const possible = (sheet, state) =>
    sheet.steps.filter(step => holds(step.requires, state)).map(step => step.id)

  return { holds, possible }
})()
