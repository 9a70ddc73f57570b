"""Words that a search puts into inputs: what means something in the language of a target, and what has made readers
of that language stumble."""

from __future__ import annotations

from typing import Final

from fuzz import pipes, webs


def _hex(text: str) -> tuple[bytes, ...]:
    return tuple(map(bytes.fromhex, text.split()))


YAML: Final = (
    *(b"&a ", b"*a", b"<<: *a", b"<<: [*a, *a]", b"- ", b": ", b"? ", b"!!int 5", b"!!python/name:x", b"%YAML 1.2\n"),
    *(
        b"---\n",
        b"...\n",
        b"|\n",
        b">-\n",
        b"'",
        b'"',
        b"\\ud800",
        b"\\x00",
        b'"\\x9b"',
        b"{a: b}",
        b"[[[[",
        b"{{{{",
        b"]",
    ),
    *(b"}", b"\xef\xbb\xbf", b"\t", b"\r", b"\xc2\x85", b"\xe2\x80\xa8", b"~", b"null", b"1e309", b"0x10", b"0o7"),
    *(
        b"2026-11-25",
        b".inf",
        b".nan",
        b"1_000",
        b"9" * 41,
        b"\xe2\x88\x923",
        b"off",
        b"up 3",
        b"down 6",
        b"-12",
        b"yes",
    ),
    *(b"1:30", b"250 ms", b"=== setlist.yaml\n", b"=== rig.yaml\n"),
)

_KEYS: Final = """title rig songs name sections levels sends fade base venues cue tempo metre length then at timetable
inputs listeners mix socket own ceiling pedals mapping port desk profile limits rise players scenes controls is turn
press hold over send values answers step"""

SHOW: Final = (*YAML, *(f"{key}: ".encode() for key in (*_KEYS.split(), "tempo changes", "count in", "double press")))

OSC: Final = (
    *(b"#bundle\0", b"\0\0\0\0\0\0\0\1", b"\0\0\0\x10", b",f\0\0", b",ifsbhdTFNI\0\0", b"/pedal/1\0\0\0\0"),
    *(b",b\0\0\xff\xff\xff\xfc", b",[i]\0\0\0\0", b"/*\0\0", b"\x7f\xc0\0\0", b"\x7f\x80\0\0"),
)

MIDI: Final = _hex("F0 F7 F8 FE F4 F9 F6 90 B0 C0 D0 E0 F1 F2 F3 B06301 F07D")

MIDI_FILE: Final = _hex(
    "4D546864000000060001000101E0 4D54726B FF510307A120 FF580404021808 FF2F00 FF0000 8FFFFF7F "
    "FF0305 F005 F705 FF5902 FF540500 FF7F01 0000 E728"
)

ZIP: Final = (b"PK\3\4", b"PK\1\2", b"PK\5\6", b"PK\6\6", b"PK\6\7", b"../", b"\xff\xff\xff\xff")

RECORDING: Final = (b"# move: input 1 mix 1 bottom to top\n", b"0.000 B0 10 00\n", b" at -10", b"whole mix 1")

HTTP: Final = (
    *(b"GET / HTTP/1.1\r\n", b"POST /want HTTP/1.1\r\n", b"HEAD /live HTTP/1.1\r\n", b"OPTIONS * HTTP/1.1\r\n"),
    *(b"HTTP/1.0\r\n", b"\r\n\r\n", b"Host: localhost:8480\r\n", b"Host: [::1]\r\n", b"Host: [1.2.3.4]\r\n"),
    *(b"Origin: http://localhost:8480\r\n", b"Content-Type: application/json\r\n", b"Content-Length: 13\r\n"),
    *(b"Transfer-Encoding: chunked\r\n", b"Expect: 100-continue\r\n", b"Connection: upgrade\r\n"),
    *(b"Upgrade: websocket\r\n", b"Sec-Fetch-Site: cross-site\r\n", b"If-None-Match: *\r\n", b"Range: bytes=0-\r\n"),
    *(b"?key=a-key-to-control", b"?key=x", b"&key=", b"/listener/", b"%2e%2e/", b"/static/page.js", b"/live", b"/map"),
    *(b'{"do":"next"}', b"5\r\nhello\r\n0\r\n\r\n", webs.CUT, b"Cookie: " + webs.cookie() + b"\r\n"),
)

HEADERS: Final = (b"localhost", b"[::1]", b"http://", b":80", b"\n", b"[::ffff:1.2.3.4]", b"band", b"%25", b"xn--")

JSON: Final = (
    *(b'{"do":"', b'","by":', b"NaN", b"1e999", b"-0", b"[[[[", b'"\\ud800"', b'"\\u0000"', b"true", b"null"),
    *(b'"bytes":"00"', b"\xef\xbb\xbf", b"9" * 30, b'"":', b"}\n{"),
)

ORDERS: Final = (
    *JSON,
    *(b'"%s":' % name.encode() for name in (*pipes.ORDERS, *pipes.WITHIN)),
    *(b"1e309", b"\n", b"[" * 200, b'{"a":' * 200, b"]" * 200, b"}" * 200),
)
