/** The line of help of every control; loaded when somebody asks. */

/** The first that fits holds. What the service tells itself, of settings for instance, stands in `title`.
 * @type {[string, string][]} */
const LINES = [
  [".head", "The switch of a lane: a touch mutes it or brings it back, when the line over the touch modes says. Playing it goes on silently, so it comes back in its place."],
  [".macro:not(.fader)", "A macro: drag sideways, it moves with the finger and never jumps. Pull away from it, or switch fine on, for small movements."],
  [".fine", "Fine: macros move eight times less for the same movement, and show tenths."],
  [".choice [aria-label*='next beat']", "Touches on lanes and groups act on the next beat. A second touch while one waits takes it back."],
  [".choice [aria-label*='next bar']", "Touches on lanes and groups act on the next bar line. A second touch while one waits takes it back."],
  [".choice [aria-label*='4 bars']:not([aria-label*=drop])", "Touches on lanes and groups act in four bars. A second touch while one waits takes it back."],
  [".choice [aria-label*='held']", "A touch turns a lane over only while the finger stays."],
  [".choice [aria-label*=drop]", "A touch mutes a lane for four bars; then it comes back by itself, or at once by a second touch. A touch on a group leaves that group alone instead."],
  [".choice .k:last-of-type", "Solo: a touch plays a lane alone among the lanes of its sort; another touch ends that."],
  [".choice .k", "Touches on lanes and groups act at once."],
  ["[data-group]", "A group of lanes: a touch mutes all of them or brings them back, when the touch mode says."],
  ["[data-section]", "A section: mutes and macros as they were kept. It comes on the next bar line; a second touch before that takes it back."],
  [".deck [aria-label^=Pace]", "Half time or double time for all patterns, from the next bar line on and until a section is recalled. The tempo stays."],
  [".deck [aria-label^=fill]", "Fill: while it is held, every lane of hits plays some of its rests, as many as its fill share says."],
  [".deck select", "How macros go to a section: they jump to their places on the bar line, or glide there over some bars."],
  [".deck .tool[aria-label^='go on']", "Go on: the next entry of the order comes on the next bar line. It has a line under it while the entry that plays waits for that. A second touch takes it back."],
  [".deck .tool", "Order: plays the sections one after the other, each for as long as the set says."],
  [".start", "Starts at bar 1. While the music runs it asks first, and a second touch goes back to bar 1."],
  [".out-all", "Mutes every lane at once, now. The music goes on silently, and a touch on Bring back restores what played."],
  [".unsolo", "Ends every solo: all lanes that are not muted are heard again."],
  [".bring", "Brings back the lanes that were silenced together."],
  [".internal", "Goes over to the internal clock: from now on the tempo is set here, and the beat goes on as it was."],
  [".stop", "Stops the music and closes every gate. Continue goes on from there."],
  [".cont", "Goes on from where it was stopped."],
  [".bpm", "The tempo: opens the panel where it is set, tapped and nudged."],
  [".dial", "The tempo: drag sideways, 10 px are 1 BPM. A brush of the finger changes nothing."],
  [".beat-here", "Touch it on the beat, four times or more: the tempo follows."],
  [".repeats", "Moves the beat by 5 ms and leaves the tempo as it is; hold it for more."],
  ["#views [href='#play']", "Play: the chart, the mutes, the sections and the macros."],
  ["#views [href='#set']", "Set: the lanes and macros as they are written, each edited where it is drawn."],
  ["#views [href='#rig']", "Rig: outputs and cables, tuning, the soundcheck, the clock, controllers."],
  ["#views [href='#files']", "Files: save, open another set, what was done and saved so far, takes, packs, and the set as text."],
  ["[data-sign=clock]", "The clock: which clock is in use, and whether it runs well. Touch it for figures and sources."],
  ["[data-sign=health]", "How it runs: lateness, ports and this page's link. It is loud only when something is wrong."],
  ["[aria-label='Day or night'], [title='Day or night']", "Day or night: dark ink on paper, or light on dark water."],
  ["[aria-label='Full screen'], [title='Full screen']", "Shows the page on the whole screen, where the browser can."],
  ["[aria-label=Listen], [title=Listen]", "Listen: plays a sketch of the rig in this browser. It begins quietly; the level stands in its panel."],
  [".sheet, .strip-one", "The chart: what lies left of the pen has sounded. Marks are hits as tall as their level, lines are values, and a thread leads from a hit to the one it causes."],
  [".pair [aria-label^='Mute ']", "Mutes the lane on the bench at once, or brings it back."],
  [".add-toggle", "Opens the form for a new lane or macro; a name is suggested."],
  ["[aria-label^='Bring back what was saved']", "Brings back the state of this saved moment; what is there now is not lost."],
  ["[href^='api/pack']", "Downloads one file with the set, its rig, profiles and sheet, to hand on."],
  ["[aria-label^='Open as saved']", "Opens this set as its file has it, without what was changed since."],
  ["[aria-label^='Open: ']", "Opens this set; it begins on the next bar line, and the tempo stays."],
  ["[aria-label^='Make ready: ']", "Reads this set ahead, so that it begins without a wait when you open it."],
  ["[aria-label^='Undo to here']", "Takes back this step and everything after it."],
  ["[aria-label^='Redo to here']", "Brings back this step and everything before it that was undone."],
  ["[aria-label^='Remove ']", "Takes it out of the set. Undo brings it back."],
  ["[aria-label$=': one more']", "One more at the end, the same as the last."],
  ["[aria-label$=': one less']", "Takes away the last one."],
  ["[aria-label*='pass less'], [aria-label*='pass more']", "The round over which the lane sounds on some passes only: one pass shorter or longer."],
  ["[aria-label$='from value to value']", "Changes the drive into one that puts the setting between two values, or back into a depth."],
  ["[aria-label$='from volt to volt']", "Changes the drive into one between two voltages, or back into a depth."],
  [".word-row .k", "Puts it into the expression, where the cursor stands."],
  ["[aria-label^='Stop and tune']", "Stops the music and begins tuning this output: reference notes are sent, and you put in what a tuner reads."],
  ["[aria-label$=': less'], [aria-label$=': more']", "Changes the number by one; it is taken on the next beat."],
  [".step", "A step: rest, hit, accent, one after the other. A finger drawn across paints what the first touch made."],
  [".foot", "What this step has of its own: opens it, to be shaped by touch. Empty: it is as its lane."],
  [".column", "Drag up and down. Two quick touches make it a rest, or a note again."],
  [".pass", "One pass of the round: whether the lane sounds on it."],
  [".fader", "Drag sideways. Pull away from it for small movements; it is taken when the finger leaves."],
  [".entry", "Opens it here on the bench."],
  [".title", "The name: type another and leave the field. Whatever speaks of it is told too."],
  ["summary", "Opens and closes this part."],
  ["[role=switch]", "On or off; it is taken at once."],
  ["select", "A choice from a list; it is taken at once."],
  ["input[type=range]", "Drag it; it is taken as it moves."],
  ["input[type=number]", "A number: type it and leave the field."],
  ["textarea", "Type it; what is wrong with it is said below, and nothing is taken until you use it."],
  ["input", "Type it and press Enter; what is wrong with it is said below."],
];

/** What buttons say by their own words. @type {Record<string, string>} */
const BY_LABEL = {
  Undo: "Takes back the last change of the set, by whomever it was made.",
  Redo: "Brings back what was undone last.",
  Remove: "Takes it out of the set. Undo brings it back.",
  "To its first step": "The lane begins again at its first step, now.",
  Copy: "Copies the lane to another name.",
  Add: "Adds a lane or a macro of this kind and name.",
  "As the lane": "Takes away what this step has of its own.",
  "Use it": "Plays what is written in the field from the next beat on.",
  Close: "Closes this panel.",
  "Close the three sentences": "Takes the three sentences away; the question mark brings them back.",
  "Change it by chance": "Changes the lane by chance, as much as the slider says. Undo brings it back.",
  "Clear it": "Empties the pattern or puts the settings back to where they begin. Undo brings it back.",
  "Keep what plays now": "Keeps which lanes are muted and where the macros stand, as a section of this name.",
  "Stop and begin": "Stops the music, then sends each output in turn something to see or hear.",
  "Add the controller": "Adds a MIDI controller, whose knobs and buttons are then learnt one by one.",
  "Patch sheet": "Opens what is cabled to what, to print and take along.",
  "Patch sheet, four bars of each lane": "Opens the patch sheet with four bars of every lane drawn.",
  "Volts of two bars, as a drawing": "Draws the voltages of every output over two bars.",
  "The running order, as a drawing": "Draws all lanes over the running order: hits, values, what repeats.",
  "The manual": "Opens the manual, made from the program itself.",
  Save: "Writes the set as it plays now into its file.",
  "Save as": "Writes the set as it plays now into a new file.",
  "Save as, and replace a file of that name": "Writes the set into a file of this name, also where there is one.",
  Download: "Takes the set along as a file.",
  "Back to the set before": "Opens the set that played before this one.",
  Check: "Says what is wrong with the text, and takes nothing.",
  "Use from the next bar": "Plays what the text says from the next bar line on.",
  "Throw my changes away": "Shows the text again as it plays.",
  "Show every step": "Shows all steps, back to the first.",
};

/** The name of a control as it is read. @param {HTMLElement} el */
function nameOf(el) {
  const label = el.id ? document.querySelector(`label[for="${el.id}"]`) : null;
  return (el.getAttribute("aria-label") || label?.textContent || el.textContent || "").trim();
}

/** One line about a control. @param {HTMLElement} el @returns {string} */
export function helpFor(el) {
  const name = nameOf(el), title = el.title || el.closest("[title]")?.getAttribute("title") || "";
  const hint = el.closest(".field")?.querySelector("small")?.textContent ?? "";
  const own = BY_LABEL[name] ?? LINES.find(([selector]) => el.matches(selector))?.[1];
  const said = [title && title !== name ? title : "", own ?? "", hint].filter(Boolean).map((part) => part.replace(/[.]?$/, "."));
  const first = said.length && said[0].startsWith(name.split(" ")[0]) ? "" : name && !el.matches(".head, .sheet, .strip-one, [data-section], .choice .k, .step") ? `${name}: ` : "";
  if (said.length) return `${first}${said.map((part) => part[0].toUpperCase() + part.slice(1)).join(" ")}`;
  return `${name}: a button; it acts when the finger has come and gone.`;
}
