"""Checks that an HTML file is well formed, stands alone and can be read out; prints what is wrong.

Rules: HTML Living Standard (void elements, nesting), WCAG 2.1 (1.1.1 text for pictures, 1.3.1
headings and table headers, 2.4.2 title, 3.1.1 language).
"""
import re
import sys
from html.parser import HTMLParser

VOID = {"meta", "link", "br", "hr", "img", "input", "col", "wbr"}
SVG_EMPTY = {"path", "rect", "circle", "line"}


class Check(HTMLParser):
    def __init__(self):
        super().__init__(convert_charrefs=True)
        self.open, self.faults, self.ids, self.links = [], [], [], []
        self.levels, self.seen, self.text = [], {}, []
        self.in_table = None

    def fault(self, what):
        self.faults.append(f"line {self.getpos()[0]}: {what}")

    def handle_starttag(self, tag, attributes):
        a = dict(attributes)
        self.seen[tag] = self.seen.get(tag, 0) + 1
        if tag in ("script", "iframe", "object", "embed", "link", "img", "base", "form"):
            self.fault(f"<{tag}> has no place here")
        for name, value in attributes:
            if name in ("src", "href", "srcset", "data", "xlink:href"):
                if name != "href" or not (value or "").startswith("#"):
                    self.fault(f"{name}={value!r} leads outside")
                else:
                    self.links.append(value[1:])
            if name.startswith("on"):
                self.fault(f"script in {name}")
            if name == "id":
                if value in self.ids:
                    self.fault(f"id {value!r} twice")
                self.ids.append(value)
        if tag == "html" and not a.get("lang"):
            self.fault("no language")
        if tag == "svg" and not (a.get("role") == "img" and a.get("aria-label")):
            self.fault("a drawing without words")
        if tag == "th" and a.get("scope") not in ("col", "row"):
            self.fault("a header without scope")
        if tag in ("h1", "h2", "h3", "h4"):
            level = int(tag[1])
            if self.levels and level > self.levels[-1] + 1:
                self.fault(f"{tag} after h{self.levels[-1]}")
            self.levels.append(level)
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attributes):
        self.handle_starttag(tag, attributes)
        if tag not in VOID:
            self.open.pop()
            if tag not in SVG_EMPTY:
                self.fault(f"<{tag}/> is not closed in HTML")

    def handle_endtag(self, tag):
        if not self.open or self.open.pop() != tag:
            self.fault(f"</{tag}> closes nothing")

    def handle_data(self, data):
        if not self.open or self.open[-1] != "style":
            self.text.append(data)
        elif re.search(r"url\(|@import", data):
            self.fault("a style leads outside")


text = open(sys.argv[1], encoding="utf-8").read()
check = Check()
check.feed(text)
check.close()
if check.open:
    check.faults.append(f"left open: {check.open}")
check.faults += [f"#{x} leads nowhere" for x in check.links if x not in check.ids]
outside = re.sub(r'xmlns="http://www.w3.org/2000/svg"', "", text)
check.faults += [f"a web address: {x}" for x in re.findall(r"https?:[^\s\"<]*", outside)]
for tag in ("title", "h1", "main", "table", "svg"):
    if not check.seen.get(tag):
        check.faults.append(f"no <{tag}>")
if check.levels.count(1) != 1:
    check.faults.append("not one h1")
words = " ".join(check.text)
check.faults += [f"{x!r} in the words" for x in ("NaN", "inf ", "None", "{}") if x in words]
print("\n".join(check.faults))
sys.exit(bool(check.faults))
