"""Ways to change a page: each takes the bytes before the seal and gives other bytes."""

from __future__ import annotations

import random
import unicodedata
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial

Change = Callable[[bytes], bytes]


@dataclass(frozen=True, slots=True)
class Forgery:
    """One way to change a page, and what it is called."""

    name: str
    change: Change


_PLACES = (b"<body>", b"</header>", b"</main>", b"</body>", b"</head>", b"</html>")
_MARKUP = (
    b"<p>The module is faulty: replace it.</p>",
    b"<style>#answer{display:none}</style>",
    b"<style>@media print{#why{display:none}}</style>",
    b"<script>document.title='x'</script>",
    b"<script src=data:text/javascript,1></script>",
    b"<img src=x onerror=alert(1)>",
    b"<svg onload=alert(1)></svg>",
    b"<!-- said later -->",
    b"<!--><p>seen by browsers alone</p>-->",
    b"<!--!><p>seen</p>",
    b"</p><plaintext>",
    b"<noscript><p>Other answer.</p></noscript>",
    b"<template><p>hidden</p></template>",
    b"<base href='https://example.org/'>",
    b"<meta http-equiv=refresh content='0;url=https://example.org'>",
    b"<link rel=stylesheet href='data:text/css,*{color:red}'>",
    b"<section id=answer><h1>No fault found.</h1></section>",
    b"<table><p>moved out by the parser</table>",
    b"<select><p>Dropped by the parser</p></select>",
    b"<math><mtext><style><b>seen otherwise</b></style></mtext></math>",
    b"<textarea></textarea><b>Approved.</b>",
    b"<iframe srcdoc='&lt;h1&gt;No fault&lt;/h1&gt;'></iframe>",
    b"\x00",
    "\u202eknab".encode(),
    b"<?xml version='1.0'?>",
    b"<![CDATA[<p>x</p>]]>",
)
_SWAPS = (
    (b'<html lang="en">', b'<html lang="en" hidden>'),
    (b"<body>", b'<body style="filter:invert(1)">'),
    (b'id="answer"', b'id="answer" hidden'),
    (b'id="answer"', b"ID='answer'"),
    (b'id="answer"', b'id="other" id="answer"'),
    (b"<h1", b"<h1 class=skip"),
    (b"<h1", b"<H1"),
    (b"<dl", b"<dl\t"),
    (b"<dl", b"<dl "),
    (b"<!DOCTYPE html>", b"<!doctype html>"),
    (b"<!DOCTYPE html>", b""),
    (b"<!DOCTYPE html>", b"<!DOCTYPE html SYSTEM 'about:legacy-compat'>"),
    (b"<!DOCTYPE html>", b"<!-- --><!DOCTYPE html>"),
    (b'charset="utf-8"', b'charset="utf-7"'),
    (b'charset="utf-8"', b'charset="iso-8859-1"'),
    (b"default-src", b"x-default-src"),
    (b"script-src", b"script-src 'unsafe-inline'"),
    (b"</style>", b"#why{display:none}</style>"),
    (b"</style>", b"</style >"),
    (b'"rank":1', b'"rank":2'),
    (b'"strength":"strong"', b'"strength":"weak"'),
    (b'"schema"', b' "schema"'),
    (b'"versions":{', b'"versions":{"a":"1",'),
    (b'"units":"metric"', b'"units":"us"'),
    (b'"kind":"report"', b'"kind":"screening"'),
    (b'"kind":"report"', b'"kind":"nothing"'),
    (b'"inputs":[{', b'"inputs":[{"bus":"can9",'),
    (b'id="canassist-statement"', b'id="canassist-PageStatement"'),
    (b'id="canassist-result"', b'id="canassist-result" '),
    (b'type="text/plain"', b'type="text/javascript"'),
    (b"</html>\n", b"</html>"),
    (b"</html>\n", b"</html>\n\n"),
    (b"&#39;", b"'"),
    (b"The", b"Th\xd0\xb5"),
)


def forgeries() -> Iterator[Forgery]:
    """Yield every forgery; the same ones on every run."""
    for markup in _MARKUP:
        for place in _PLACES:
            yield Forgery(f"{markup!r} before {place!r}", _inserted(place, markup))
    for old, new in _SWAPS:
        yield Forgery(f"{old!r} becomes {new!r}", _swapped(old, new))
    yield from _encodings()
    yield from _orders()
    dice = random.Random(17)  # noqa: S311 - a repeatable draw, nothing secret
    for number in range(60):
        yield Forgery(f"flipped bit {number}", _flipped(dice.random(), dice.randrange(8)))


def _encodings() -> Iterator[Forgery]:
    def text(change: Callable[[str], str]) -> Change:
        return lambda body: change(body.decode("utf-8")).encode("utf-8")

    yield Forgery("a byte order mark", lambda body: b"\xef\xbb\xbf" + body)
    yield Forgery("line ends of another system", lambda body: body.replace(b"\n", b"\r\n"))
    yield Forgery("old line ends", lambda body: body.replace(b"\n", b"\r"))
    yield Forgery("decomposed letters", text(lambda page: unicodedata.normalize("NFD", page)))
    yield Forgery("compatible letters", text(lambda page: unicodedata.normalize("NFKC", page)))
    yield Forgery("latin letters", lambda body: body.decode("utf-8").encode("latin-1", "replace"))
    yield Forgery("entities", text(lambda page: page.encode("ascii", "xmlcharrefreplace").decode()))
    yield Forgery("tabs", lambda body: body.replace(b" ", b"\t", 50))
    yield Forgery("no blank lines", lambda body: body.replace(b">\n<", b"><"))
    yield Forgery("other quotes", lambda body: body.replace(b'class="facts"', b"class='facts'"))


def _orders() -> Iterator[Forgery]:
    for name in (b"answer", b"ride", b"why", b"untold", b"claim"):
        yield Forgery(f"without {name!r}", partial(_away, name))
        yield Forgery(f"{name!r} at the end", partial(_last, name))
        yield Forgery(f"{name!r} twice", partial(_twice, name))
    yield Forgery("cut in half", lambda body: body[: len(body) // 2])
    yield Forgery("one byte less", lambda body: body[:-1])
    yield Forgery("without its beginning", lambda body: body[1:])
    yield Forgery("twice in a row", lambda body: body + body)
    yield Forgery("blanks before", lambda body: b" " + body)
    yield Forgery("an archive behind", lambda body: body + b"PK\x05\x06" + bytes(18))


def _section(name: bytes, body: bytes) -> tuple[int, int]:
    start = body.index(b'<section id="' + name)
    return start, body.index(b"</section>", start) + len(b"</section>")


def _away(name: bytes, body: bytes) -> bytes:
    start, end = _section(name, body)
    return body[:start] + body[end:]


def _last(name: bytes, body: bytes) -> bytes:
    start, end = _section(name, body)
    return _away(name, body).replace(b"</main>", body[start:end] + b"</main>", 1)


def _twice(name: bytes, body: bytes) -> bytes:
    start, end = _section(name, body)
    return body[:end] + body[start:end] + body[end:]


def _inserted(place: bytes, markup: bytes) -> Change:
    return lambda body: body.replace(place, markup + place, 1)


def _swapped(old: bytes, new: bytes) -> Change:
    return lambda body: body.replace(old, new, 1)


def _flipped(share: float, bit: int) -> Change:
    def change(body: bytes) -> bytes:
        place = int(share * len(body))
        return body[:place] + bytes([body[place] ^ 1 << bit]) + body[place + 1 :]

    return change
