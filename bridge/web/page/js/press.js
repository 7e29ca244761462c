/**
 * Fingers and keys that hold something, and what ends when they leave, whatever the reason: lifted,
 * cancelled, capture lost, element taken away, page hidden, link lost, or never told at all.
 */

/** What each finger or key holds, oldest first. @type {Map<string|number, Set<(event?: Event) => void>>} */
const holding = new Map();
/** Fingers on the glass, oldest first. @type {Set<number>} */
const touching = new Set();

/** The name under which a key holds something. @param {KeyboardEvent} event */
export const keyName = (event) => `key ${event.code || event.key}`;

/**
 * Call `end` once when a finger (its pointer id) or a key (`keyName`) leaves.
 * @param {string|number} who
 * @param {(event?: Event) => void} end
 * @returns {() => void} forgets it without calling `end`
 */
export function whenGone(who, end) {
  const ends = holding.get(who) ?? new Set();
  holding.set(who, ends.add(end));
  return () => {
    ends.delete(end);
    if (!ends.size && holding.get(who) === ends) holding.delete(who);
  };
}

/** @param {string|number} who @param {Event} [event] */
function gone(who, event) {
  const ends = holding.get(who);
  holding.delete(who);
  for (const end of ends ?? []) end(event);
}

/** Let go of everything that fingers and keys hold: the page is hidden, or the link is gone. */
export function releaseAll() {
  for (const who of [...holding.keys()]) gone(who);
}

// On the window, before any element hears of it: an element that was taken away hears nothing.
addEventListener("pointerdown", (event) => { if (event.pointerType === "touch") touching.add(event.pointerId); }, true);
for (const name of ["pointerup", "pointercancel", "lostpointercapture"]) addEventListener(name, (event) => {
  const { pointerId } = /** @type {PointerEvent} */ (event);
  if (name !== "lostpointercapture") touching.delete(pointerId);
  gone(pointerId, event);
}, true);
addEventListener("keyup", (event) => gone(keyName(event), event), true);

/** Touch events list the fingers that are there. More pointers than that: the oldest have left
 * without a word, as when the system takes a gesture for itself. @param {TouchEvent} event */
function count(event) {
  for (const id of touching) {
    if (touching.size <= event.touches.length) return;
    touching.delete(id);
    gone(id, event);
  }
}
for (const name of ["touchstart", "touchend", "touchcancel"]) addEventListener(name, (event) => count(/** @type {TouchEvent} */ (event)), { capture: true, passive: true });

/**
 * Act on touch-down. `up` (optional) is called once when the finger leaves, whatever the reason.
 * Enter and Space do the same; a click that no finger or key caused comes from assistive technology
 * and counts as down and up.
 * @param {HTMLElement} el
 * @param {(event: Event) => void} down
 * @param {(event?: Event) => void} [up]
 */
export function press(el, down, up) {
  /** Who holds it, and how to forget that. @type {Map<string|number, () => void>} */
  const holders = new Map();
  let lastDown = -1e9;
  const begin = (who, event) => {
    if (el.getAttribute("aria-disabled") === "true" || /** @type {any} */ (el).disabled || holders.has(who)) return;
    lastDown = event.timeStamp;
    const first = holders.size === 0;
    holders.set(who, whenGone(who, (last) => end(who, last)));
    el.classList.add("down");
    if (first || !up) down(event);
  };
  const end = (who, event) => {
    const forget = holders.get(who);
    if (!forget) return;
    forget();
    holders.delete(who);
    if (holders.size) return;
    el.classList.remove("down");
    up?.(event);
  };
  el.addEventListener("pointerdown", (event) => {
    if (event.button !== 0) return;
    try { el.setPointerCapture(event.pointerId); } catch { /* the finger has already left */ }
    begin(event.pointerId, event);
  });
  el.addEventListener("keydown", (event) => {
    if ((event.key !== "Enter" && event.key !== " ") || event.ctrlKey || event.altKey || event.metaKey) return;
    event.preventDefault();
    if (!event.repeat) begin(keyName(event), event);
  });
  el.addEventListener("keyup", (event) => { if (event.key === "Enter" || event.key === " ") event.preventDefault(); });
  el.addEventListener("blur", (event) => { for (const who of [...holders.keys()]) if (typeof who === "string") end(who, event); });
  el.addEventListener("click", (event) => {
    event.preventDefault();
    if (event.timeStamp - lastDown < 1000 || event.detail > 0) return;
    begin("click", event);
    end("click", event);
  });
  el.addEventListener("contextmenu", (event) => event.preventDefault());
}

/** @typedef {{id: number, x: number, y: number, x0: number, y0: number}} Finger where a finger is and where it came down */

/**
 * One finger that draws on a control. Among things that scroll give the control a `touch-action`
 * of the other direction: a finger that scrolls is then given up.
 * @param {HTMLElement} el
 * @param {{begin?: (finger: Finger) => boolean|void, move: (finger: Finger, dx: number, dy: number) => void, end: (finger: Finger, givenUp: boolean) => void}} on
 *   `begin` gives false to refuse the finger; `givenUp`: the movement was meant for something else
 * @returns {{finger: Finger|null, letGo: () => void}}
 */
export function drag(el, { begin, move, end }) {
  /** @type {{finger: Finger|null, letGo: () => void}} */
  const self = { finger: null, letGo: () => finish() };
  let forget = () => {};
  const finish = (event) => {
    const finger = self.finger;
    if (!finger) return;
    self.finger = null;
    forget();
    el.classList.remove("held");
    end(finger, event?.type === "pointercancel");
  };
  el.addEventListener("pointerdown", (event) => {
    if (self.finger || event.button !== 0) return;
    const { pointerId: id, clientX: x, clientY: y } = event;
    const finger = { id, x, y, x0: x, y0: y };
    if (begin?.(finger) === false) return;
    try { el.setPointerCapture(id); } catch { /* the finger has already left */ }
    self.finger = finger;
    el.classList.add("held");
    forget = whenGone(id, finish);
  });
  const follow = (event) => {
    const finger = self.finger;
    if (finger?.id !== event.pointerId) return;
    const dx = event.clientX - finger.x, dy = event.clientY - finger.y;
    finger.x = event.clientX;
    finger.y = event.clientY;
    move(finger, dx, dy);
  };
  el.addEventListener("pointermove", follow);
  // Where browsers give it (secure pages, and this very computer) it does not wait for the next picture.
  el.addEventListener("pointerrawupdate", /** @type {EventListener} */ (follow));
  el.addEventListener("contextmenu", (event) => event.preventDefault());
  return self;
}
