"""The kinds of pages that each of the demo's people works with."""

from playwright.sync_api import Page

#: a round metre at the very right of the picture, where figures of its own stand
METRES = "ribbon?period=metres&along=metres&m_lo=1558300&m_hi=1558420"
LEADS_PARTS = ("ribbon?period=week&kind=stone", "episodes", "charts", "charts?chart=sums", "furnace", METRES)


def screens(page: Page, who: str, root: str) -> list[str]:
    """Addresses of each kind of page that this person works with."""
    places = [link.get_attribute("href") for link in page.locator("header nav a").all()]
    if who == "tomke":
        places.append(page.locator("a[href*='/inspect/sheets/']").first.get_attribute("href"))
    if who == "ilse":
        places += [f"/trace/{part}" for part in LEADS_PARTS]
        for part, link in (("episodes", "a.episode"), ("furnace", "a.tracer-card")):
            page.goto(f"{root}/trace/{part}")
            places.append(page.locator(link).first.get_attribute("href"))
        places.append(places[-2] + "/hold")
    if who == "ruta":
        places += [f"/help/{name}" for name in ("", "inspector", "file-formats", "measured-figures")]
    if who == "piet":
        page.goto(f"{root}/sheets/?q=Ottervale")
        found = page.locator("main a[href*='/sheets/']")
        if found.count():
            places.append(found.first.get_attribute("href"))
    return list(dict.fromkeys(place for place in places if place))
