"""Where the controls of a page are, box by box: what a thumb can reach and read.

The size of the document says nothing about this: whatever bursts out of an element that hides its
overflow leaves the document as it is.
"""

from __future__ import annotations

from typing import Any

from playwright.sync_api import Page

CONTROLS = (
    "button, a[href]:not(.skip), input, select, textarea, summary, [role=slider], [role=spinbutton]"
)
LEAST = 43.5  # 44 CSS px (WCAG 2.2, 2.5.5), less what rounding takes
READ = ".k, .head .name, .head .st, .macro .lab span, .sign, .entry span, #views a"

_OUT_OF_REACH = """(controls) => {
  // Walks up from each control: what an ancestor hides can't be reached, what it scrolls can.
  const found = [], name = el => (el.getAttribute('aria-label') || el.textContent || el.className).trim().slice(0, 40);
  for (const el of document.querySelectorAll(controls)) {
    if (!el.checkVisibility({visibilityProperty: true}) || el.closest('[inert]')) continue;
    const own = el.getBoundingClientRect();
    const box = {left: own.left, right: own.right, top: own.top, bottom: own.bottom};
    let lost = '';
    for (let up = el.parentElement; up && !lost; up = up.parentElement) {
      const style = getComputedStyle(up), edge = up === document.documentElement
        ? {left: 0, top: 0, right: innerWidth, bottom: innerHeight} : up.getBoundingClientRect();
      for (const [axis, low, high] of [['X', 'left', 'right'], ['Y', 'top', 'bottom']]) {
        const rule = style[`overflow${axis}`];
        if (rule === 'visible' || (box[low] >= edge[low] - 1 && box[high] <= edge[high] + 1)) continue;
        if (rule === 'auto' || rule === 'scroll') { // a finger brings it to the edge
          const long = Math.min(box[high] - box[low], edge[high] - edge[low]);
          if (box[high] > edge[high]) { box[high] = edge[high]; box[low] = edge[high] - long; }
          else { box[low] = edge[low]; box[high] = edge[low] + long; }
        } else lost = `${up.id || up.className} hides it (${axis})`;
      }
    }
    if (lost) found.push(`${name(el)}: ${lost}`);
  }
  return found; }"""

_COVERED = """(controls) => {
  const found = [], name = el => (el.getAttribute('aria-label') || el.textContent || el.className).trim().slice(0, 40);
  for (const el of document.querySelectorAll(controls)) {
    if (!el.checkVisibility({visibilityProperty: true}) || el.closest('[inert]')) continue;
    el.scrollIntoView({block: 'nearest', inline: 'nearest', behavior: 'instant'});
    const box = el.getBoundingClientRect();
    const over = document.elementFromPoint((box.left + box.right) / 2, (box.top + box.bottom) / 2);
    if (!over || !(over === el || el.contains(over)))
      found.push(`${name(el)}: under ${over ? over.id || over.className || over.tagName : 'nothing'}`);
  }
  return found; }"""

_SMALL = """([controls, least]) => [...document.querySelectorAll(controls)]
  .filter(el => el.checkVisibility({visibilityProperty: true}))
  .map(el => [el, el.getBoundingClientRect()])
  .filter(([el, box]) => box.width < least || box.height < least)
  .map(([el, box]) => `${el.textContent || el.className} ${box.width}x${box.height}`)"""

_CUT = """(read) => [...document.querySelectorAll(read)]
  .filter(el => el.checkVisibility({visibilityProperty: true}))
  .filter(el => el.scrollWidth > el.clientWidth + 1 || el.scrollHeight > el.clientHeight + 3)
  .filter(el => getComputedStyle(el).display !== 'inline')
  .map(el => `${el.textContent} ${el.scrollWidth}x${el.scrollHeight} in ${el.clientWidth}x${el.clientHeight}`)"""

_MUTES = """() => [...document.querySelectorAll('.head')].filter(el => {
  const box = el.getBoundingClientRect(), bank = el.closest('.bank').getBoundingClientRect();
  return box.top >= bank.top && box.bottom <= bank.bottom + 1; }).length"""


def _names(found: Any) -> list[str]:
    return [str(one) for one in found]


def out_of_reach(page: Page) -> list[str]:
    """Controls that no finger can bring into the window."""
    return _names(page.evaluate(_OUT_OF_REACH, CONTROLS))


def covered(page: Page) -> list[str]:
    """Controls whose middle belongs to something else, once they are scrolled into sight."""
    return _names(page.evaluate(_COVERED, CONTROLS))


def small(page: Page) -> list[str]:
    """Controls under 44 px."""
    return _names(page.evaluate(_SMALL, [CONTROLS, LEAST]))


def cut(page: Page) -> list[str]:
    """Labels that do not fit into their boxes."""
    return _names(page.evaluate(_CUT, READ))


def mutes(page: Page) -> int:
    """How many mute switches are in sight as a whole."""
    return int(page.evaluate(_MUTES))


def faults(page: Page) -> dict[str, Any]:
    """All of the above that is wrong; empty when a thumb can use everything."""
    found = {
        "out of reach": out_of_reach(page),
        "small": small(page),
        "cut": cut(page),
        "covered": covered(page),
    }
    return {what: which for what, which in found.items() if which}
