"""A drawing's style sheets and tree: whether any colour, layer or word of them has changed."""

from __future__ import annotations

import gc
import io
from typing import Any
from xml.etree.ElementTree import Element

import pytest
from drawings import document, refusal
from kept_results import same_as_kept

from calib.advise import svg_style, svg_tree
from calib.advise.plain_shapes import least_stretch
from calib.advise.svg_style import Look, Stylesheet
from calib.advise.svg_tree import read_page
from calib.errors import BadFile

# ------------------------------------------------------------------------------ looks


def clear_styles() -> None:
    svg_style._declarations.cache_clear()
    svg_style._colour.cache_clear()


def test_colours_are_read_as_they_were() -> None:
    clear_styles()
    words = ["none", "Transparent", "red", "RED", "#f00", "#12ab9F", "rgb(1,2,3)", "url(#a)",
             "currentColor", "", "nonsense", "rgb(10%,20%,30%)", "#ff000080", "x" * 61,
             " " * 57 + "red", " " * 58 + "red", "hsl(120,100%,50%)"]  # fmt: skip
    same_as_kept("colours", [[word, svg_style._colour(word)] for word in words])


def test_rules_hold_in_the_order_of_their_strength() -> None:
    clear_styles()
    sheet = """
        /* .a { stroke: blue } */ * { fill: none } path{stroke:#010101;stroke:}
        .a, .b { stroke : #0a0a0a !important ; colour: red } .b{fill:#0b0b0b}
        #one { STROKE: #0c0c0c; visibility: hidden } .gone { display : none } /* never closed
        .a { stroke: red }
    """
    rules = Stylesheet([sheet, ".c{stroke:#0e0e0e;visibility:visible}"])
    plain = Stylesheet([])
    above = Look(stroke="#555555", fill="#666666", visible=False, shown=True)
    given: list[dict[str, str]] = [
        {}, {"stroke": "red"}, {"class": "a"}, {"class": "a b"}, {"class": "b a"}, {"id": "one"},
        {"class": "a gone"}, {"class": "c", "id": "one"}, {"class": "c"},
        {"style": "stroke:#0d0d0d", "id": "one"}, {"stroke": " inherit "}, {"fill": "none"},
        {"style": "stroke: inherit; fill:#123456"}, {"display": "none"}, {"display": "inline"},
        {"visibility": "hidden"}, {"visibility": "visible"}, {"visibility": "collapse"},
        {"style": "display:none"}, {"class": " " * 10_000 + "a"}, {"class": " " * 9_999 + "a"},
    ]  # fmt: skip
    kept = []
    for attributes in given:
        looks = []
        for some in (rules, plain):
            for name in ("path", "g"):
                element = Element(name, attributes)
                looks.append(some.look(element, name, above))
                assert some.look(element, name, above) == looks[-1]
        kept.append([{k: v.strip() for k, v in attributes.items()}, looks])
    # Looks are known apart by everything that they hang on.
    twice = [rules.look(Element("path", {"class": c}), n, Look()) for c in "ab" for n in "pg"]
    same_as_kept("looks", [rules.rules, kept, twice, Look()])


def test_style_sheets_without_bound_are_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    clear_styles()
    kept: list[Any] = [svg_style._MAX_RULES, svg_style._LONGEST_NAMES]
    kept.append(refusal(lambda: Stylesheet(["@import 'a.css'"])))
    monkeypatch.setattr(svg_style, "_MAX_RULES", 3)
    sheet = ".a{} .b{} .c{} .d{}"
    kept.append(sorted(Stylesheet([sheet[:14]]).rules))
    assert sheet[:14].endswith(".c{}")
    kept.append(refusal(lambda: Stylesheet([sheet + ".e{}"])))
    monkeypatch.undo()
    monkeypatch.setattr(svg_style, "_LONGEST_NAMES", 5)
    kept.append(sorted(Stylesheet([".abcd{}"]).rules))
    kept.append(refusal(lambda: Stylesheet([".abcde{}"])))
    same_as_kept("style_bounds", kept)
    commented = {"a/*b*/c": "ac", "/**/a": "a", "a/*/b*/c": "ac", "a/*b": "a", "ab": "ab",
                 "/*x*//*y*/z*/": "z*/", "/*/": ""}  # fmt: skip
    assert {text: svg_style._without_comments(text) for text in commented} == commented


# ------------------------------------------------------------------------------ the tree

RICH = """
<style>.k{stroke:#00aa00} .h{display:none}</style>
<title>not drawn</title><metadata><x:y xmlns:x="urn:x"><path d="M0 0h9"/></x:y></metadata>
<defs><path d="M9 9h9"/></defs>
<symbol id="sign" viewBox="0 0 10 20"><path class="k" d="M1 1h5"/>
  <circle r="2" cx="5" cy="5"/></symbol>
<g id="first" transform="translate(5,6)"><title> The  first </title>
  <rect width="10" height="5" transform="rotate(30 5 5)"/><path class="k" fill="none" d="M0 0h5"/>
  <g transform="scale(2)"><line x2="3" y2="4" stroke="red"/></g>
</g>
<g xmlns:i="urn:i" i:label="second layer" stroke="blue" fill="none">
  <use href="#sign" x="10" y="20%" width="40" height="40"/>
  <use xmlns:l="http://www.w3.org/1999/xlink" l:href=" #leaf " transform="skewX(10)"/>
  <path id="leaf" d="M1 2l3 4" fill="#112233" visibility="visible"/>
  <svg x="5" y="6" width="50%" height="30" viewBox="0 0 10 10"><rect width="10%" height="2"/></svg>
  <switch><path d="M1 1h1"/><path d="M2 2h2"/></switch>
</g>
<g><a href="#x"><ellipse rx="4" ry="3"/></a>
  <a href="http://192.0.2.1/"><polygon points="1 1 4 4 1 4"/></a></g>
<g class="h"><path d="M3 3h3"/></g><path class="h" d="M3 3h3"/><path fill="none" d="M3 3h3"/>
<path visibility="hidden" d="M3 3h3"/><path d=""/>
<g visibility="hidden"><path visibility="visible" clip-path="url(#c)" d="M8 8v1"/>
  <g mask="url(#m)" clip-path="url(#n)"><path d="M0 0h1"/></g></g>
<text>a</text><image href="data:image/png;base64,AAAA"/><script>1</script><foreignObject/>
<circle r="0.009"/><circle r="0.0101"/><rect width="3" height="0.001"/>
<g transform="scale(1,0)"><circle r="3"/></g>
"""


def test_a_rich_document_becomes_the_same_paths() -> None:
    svg_tree._transform.cache_clear()
    least_stretch.cache_clear()
    clear_styles()
    page = read_page(document(RICH))
    same_as_kept("page_rich", [page.has_size, page.left_out, page.paths])
    assert gc.isenabled()
    streamed = read_page(io.BytesIO(document(RICH)))
    assert (streamed.paths, streamed.left_out) == (page.paths, page.left_out)


def test_documents_of_other_heads_become_the_same_paths() -> None:
    heads = [
        "<svg>", '<svg xmlns="http://www.w3.org/2000/svg" stroke="red">',
        '<svg width="50mm" height="40mm">', '<svg width="5cm" height="4cm" viewBox="0 0 100 100">',
        '<svg width="50" height="40mm" viewBox="2 3 10 10" preserveAspectRatio="xMinYMax slice">',
        '<svg viewBox="0 0 300 200" style="fill:none;stroke:#010203">',
    ]  # fmt: skip
    body = '<path d="M1 1h5v5z"/><rect x="10%" width="20%" height="10%"/>'
    pages = [read_page(document(body, head)) for head in heads]
    same_as_kept("page_heads", [[p.has_size, p.left_out, p.paths] for p in pages])


def test_layers_are_named_as_they_were() -> None:
    path = '<path d="M0 0h1"/>'
    bodies = [
        f"<g id='a'>{path}</g><g id='b'>{path}</g>{path}",
        f"<g id='all'><g id='a'>{path}</g><g>{path}</g></g>",
        f"<g id='all'><g id='a'><g id='b'>{path}</g><g>{path}</g></g></g>",
        f"<g id='all'>{path}</g>",
        f"<g id='all'>{path}<g id='in'>{path}</g></g>",
        f"<g id='all'><g>{path}</g></g>{path}",
        f"<defs/><g id='all'><g>{path}</g></g><use href='#all'/>",
        f"<g id='x'><title> </title>{path}</g><g id='y'><title>{'long ' * 30}</title>{path}</g>",
        f"<g id='x' xmlns:p='urn:p' p:label='L  1'>{path}</g><g label='no'>{path}</g>",
        f"<svg><g id='deep'>{path}</g></svg><g><g id='two'>{path}</g>{path}</g>",
    ]  # fmt: skip
    same_as_kept("layers", [[path.group for path in read_page(document(b)).paths] for b in bodies])


def test_transforms_are_read_as_they_were() -> None:
    svg_tree._transform.cache_clear()
    good = ["", " ", "translate(5)", "translate(5,6)", "translate(-5.25 +6.5)",
            "translate( 5 , 6 )", "matrix(1 2 3 4 5 6)", "scale(2)", "scale(2 3)", "rotate(30)",
            "rotate(30 4 5)", "skewX(10)", "skewY(10)", "translate(1,2) scale(2), rotate(90)",
            "scale(1e1)", "translate(1234567890)", "scale(1.2.3)",
            "rotate(30-4-5)", "scale(1.e1)", "scale(.5E+1-2.)", "scale(1)" * 250]  # fmt: skip
    kept: list[Any] = [[text[:40], svg_tree._transform(text)] for text in good]
    bad = ["matrix(1 2 3 4 5)", "translate()", "translate(1 2 3)", "scale(1 2 3)", "rotate(1 2)",
           "skewX(1 2)", "skewY()", "turn(3)", "scale(1", "scale(a)", "scale(-)", "scale(1e)",
           "scale(1)" * 250 + " ", "perspective(1)", "rotate(30-4)",
           "rotate(1 2 3 4)", "skewY(1 2)"]  # fmt: skip
    kept += [[text[:40], refusal(lambda: svg_tree._transform(text))] for text in bad]  # noqa: B023
    same_as_kept("transforms", kept)


def test_documents_that_ask_for_too_much_are_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    names = ("MAX_BYTES", "MAX_ELEMENTS", "MAX_NESTING", "MAX_REUSED")
    kept: list[Any] = [[str(getattr(svg_tree, name)) for name in names], svg_tree._LEAST_MM]
    chain = "".join(f"<g id='c{i}'><use href='#c{i + 1}'/></g>" for i in range(4))
    body = f"<defs>{chain}<path id='c4' d='M0 0h1'/></defs><use href='#c0'/><g><g/></g>"
    data = document(body)
    for name in names:
        for bound in (*range(1, 21), len(data) - 1, len(data)):
            with monkeypatch.context() as patch:
                patch.setattr(svg_tree, name, bound)
                try:
                    found = len(read_page(data).paths)
                except BadFile as refused:
                    last = str(refused)
                else:
                    kept.append([name, bound, found, last])
                    break
    monkeypatch.setattr(svg_tree, "MAX_BYTES", len(data))
    assert len(read_page(io.BytesIO(data)).paths) == 1
    monkeypatch.setattr(svg_tree, "MAX_BYTES", len(data) - 1)
    kept.append(refusal(lambda: read_page(io.BytesIO(data + b" "))))
    monkeypatch.undo()
    packed = [b"\x1f\x8b\x08", io.BytesIO(b"\x1f\x8b\x08")]
    kept += [refusal(lambda: read_page(p)) for p in packed]  # noqa: B023
    bodies = [
        "<use href='#nowhere'/>", "<use/>", "<use href='a.svg#b'/>", "<image href='a.png'/>",
        "<g id='a'><use href='#a'/></g>", "<rect width='1x' height='1'/>", "<g>", "&x;",
        f"<use href='#{'n' * 50}'/>", f"<use href='{'n' * 70}'/>",
    ]  # fmt: skip
    kept += [refusal(lambda: read_page(document(b))) for b in bodies]  # noqa: B023
    kept += [refusal(lambda: read_page(b)) for b in (b"<html/>", b"", f"<{'x' * 50}/>".encode())]  # noqa: B023
    same_as_kept("page_refusals", kept)
    assert gc.isenabled()


def test_a_collector_that_is_off_stays_off() -> None:
    gc.disable()
    try:
        read_page(document("<path d='M0 0h1'/>"))
        assert not gc.isenabled()
    finally:
        gc.enable()
