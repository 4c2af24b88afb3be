"""A page as a person has it before them: what it says, what it asks for, and how files are chosen in it."""

from __future__ import annotations

import time


def until(page, expression):
    """Wait for an expression to hold; the page's own policy forbids the waiting that Playwright would put into it."""
    end = time.monotonic() + 10
    while not page.evaluate(f"() => {expression}"):
        assert time.monotonic() < end, expression
        time.sleep(0.02)


class Opened:
    """A page in the browser with everything it said and asked for."""

    def __init__(self, browser, path, **context):
        self.page = browser.new_context(viewport={"width": 1280, "height": 900}, **context).new_page()
        self.said = []
        self.asked = []
        self.page.on("console", lambda message: self.said.append(message.text))
        self.page.on("pageerror", lambda error: self.said.append(str(error)))
        self.page.on("dialog", lambda dialog: (self.said.append("dialog"), dialog.dismiss()))
        self.page.on("request", lambda request: self.asked.append(request.url))
        self.page.goto(path.as_uri())
        self.page.wait_for_selector("html[data-ready]", state="attached")

    def shown(self):
        return self.page.locator("#list tbody tr:visible").count()


def check(page, *paths):
    page.set_input_files("#chosen", [])
    page.set_input_files("#chosen", [str(path) for path in paths])
    until(page, "document.getElementById('check-state').textContent.startsWith('Computed')")
    return page.locator("#check-results > li").all_inner_texts(), page.locator("#check-results p.good").count()
