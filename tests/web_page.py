"""A page as a browser meets it, and what every page must keep."""

import re
from html.parser import HTMLParser
from urllib.parse import unquote

VOID = {"meta", "img", "input", "link", "br"}


class Page(HTMLParser):
    """What a browser would meet: tags with attributes, the text, headings in order."""

    def __init__(self, path):
        super().__init__()
        self.path, self.tags, self.text, self.headings, self.open = path, [], "", [], []
        self.feed(path.read_text(encoding="utf-8"))
        assert not self.open

    def handle_starttag(self, tag, attributes):
        self.tags.append((tag, dict(attributes)))
        if re.fullmatch(r"h[1-6]", tag):
            self.headings.append(int(tag[1]))
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        if "style" not in self.open:
            self.text += data

    def all(self, tag):
        return [attributes for name, attributes in self.tags if name == tag]

    def addresses(self):
        return [attributes[key] for _, attributes in self.tags for key in ("href", "src") if key in attributes]


def check_page(page):
    """What every page must keep, whatever is on it."""
    for address in page.addresses():
        assert not re.match(r"[a-z]+:|//", address) or address.startswith("data:image/png;base64,")
        if not address.startswith(("data:", "#")):
            assert (page.path.parent / unquote(address)).exists(), address
        if address.startswith("#"):
            assert any(attributes.get("id") == address[1:] for _, attributes in page.tags)
    assert not page.all("script")
    assert not [key for _, attributes in page.tags for key in attributes if key.startswith("on") or key == "style"]
    policy = [meta["content"] for meta in page.all("meta") if meta.get("http-equiv") == "Content-Security-Policy"]
    assert len(policy) == 1
    assert "default-src 'none'" in policy[0]
    assert "unsafe" not in policy[0]
    assert "script-src" not in policy[0]
    assert all(image.get("alt") for image in page.all("img"))
    assert page.headings[0] == 1
    assert page.headings.count(1) == 1
    # no level is skipped on the way down (WCAG technique G141)
    assert all(after - before <= 1 for before, after in zip(page.headings, page.headings[1:], strict=False))
    assert page.all("html")[0]["lang"] == "en"
