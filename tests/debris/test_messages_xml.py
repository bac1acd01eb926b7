"""Orbit mean-elements messages as XML: structure, units, and what hostile files could do to a parser."""

import io
import tracemalloc

import pytest

from shells.debris.messages_xml import DEEPEST, LONGEST_TAG, LONGEST_VALUE, MOST_NAMES, read_xml
from shells.debris.records import ElementRecord, Rejected
from shells.errors import CatalogueError
from tests.debris.written import as_xml, message


def read(text: str | bytes) -> list[ElementRecord | Rejected]:
    content = text if isinstance(text, bytes) else text.encode()
    return list(read_xml(io.BytesIO(content), source="test.xml"))


def changed(old: str, new: str) -> str:
    """Return three messages, the second one changed."""
    text = as_xml([message(number=number) for number in (1, 2, 3)])
    first, second, third, end = text.split("</omm>")
    assert old in second
    return "</omm>".join([first, second.replace(old, new), third, end])


# --- property ---


def test_property_layout_and_chunks_do_not_matter():
    numbers = range(1, 101)
    text = as_xml([message(number=number) for number in numbers])
    assert len(text) > 2 * 65_536
    expected = [record._replace(line=0) for record in read(text)]
    assert [record.identifier for record in expected] == list(numbers)
    packed = "".join(line.strip() for line in text.splitlines())
    assert [record._replace(line=0) for record in read(packed)] == expected
    assert [record.line for record in read(packed)] == [1] * len(numbers)
    assert [record._replace(line=0) for record in read("\ufeff" + text.replace("\n", "\r\n"))] == expected


# --- limits ---


def test_line_numbers():
    text = as_xml([message(number=1), message(number=2)])
    lines = [number for number, line in enumerate(text.splitlines(), 1) if "<omm " in line]
    assert [record.line for record in read(text)] == lines


def test_single_message():
    text = as_xml([message(number=6)])
    (record,) = read(text[text.index("<omm") : text.index("</omm>") + 6])
    assert record.identifier == 6


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("<INCLINATION>", '<INCLINATION units="deg">'),
        ("<INCLINATION>", "<INCLINATION>\n <!-- <BSTAR>1</BSTAR> --> <?a b?> "),
        ("<INCLINATION>74.03</INCLINATION>", "<INCLINATION><![CDATA[74.03]]></INCLINATION>"),
        ("<INCLINATION>74.03</INCLINATION>", "<INCLINATION>7&#52;.03</INCLINATION>"),
        ("<OBJECT_ID>1999-025A</OBJECT_ID>", "<OBJECT_ID/>"),
        ("<CREATION_DATE>2021-10-01T00:00:00</CREATION_DATE>", "<CREATION_DATE/>"),
        ("<metadata>", "<COMMENT>one</COMMENT><COMMENT/><metadata>"),
        (
            "</data>",
            '<userDefinedParameters><USER_DEFINED parameter="BSTAR">x</USER_DEFINED></userDefinedParameters></data>',
        ),
        ("<data>", "<data>stray"),
        ('version="3.0"', 'version="2.0"'),
    ],
)
def test_forms_that_the_standard_and_the_sites_have(old, new):
    plain, found = read(changed("<data>", "<data>")), read(changed(old, new))
    assert [one._replace(line=0, designator="") for one in found] == [
        one._replace(line=0, designator="") for one in plain
    ]


def test_namespaces_do_not_matter():
    text = as_xml([message(number=4)]).replace("<ndm>", '<n:ndm xmlns:n="urn:a" xmlns="urn:b">')
    text = text.replace("</ndm>", "</n:ndm>").replace("<omm ", "<n:omm ").replace("</omm>", "</n:omm>")
    assert [record.identifier for record in read(text)] == [4]


def test_names_keep_their_markup_as_text():
    (record,) = read(as_xml([message("<script>alert('&')</script>")]))
    assert record.name == "<script>alert('&')</script>"


def test_bytes_that_are_no_text():
    text = as_xml([message("ALPHA")]).replace("utf-8", "ISO-8859-1")
    content = text.encode().replace(b"ALPHA", b"\xe9\xff")
    (record,) = read(content)
    assert record.name == "\N{REPLACEMENT CHARACTER}" * 2


def test_what_an_ndm_may_hold_beside_messages():
    text = as_xml([message(number=4)]).replace("<ndm>", "<ndm><MESSAGE_ID>7</MESSAGE_ID><COMMENT>a</COMMENT>")
    assert [record.identifier for record in read(text)] == [4]


# --- errors ---


@pytest.mark.parametrize(
    ("old", "new", "reason", "detail"),
    [
        ("<INCLINATION>", '<INCLINATION units="rad">', "another unit", "INCLINATION in 'rad', expected deg"),
        ("3.1e-05", "1e999", "number not readable", "BSTAR '1e999'"),
        ("3.1e-05", "3.<b/>1e-05", "value not readable", "<b> within BSTAR, expected text"),
        ("<BSTAR>3.1e-05</BSTAR>", "", "mandatory keyword missing", "BSTAR"),
        ("<REF_FRAME>TEME</REF_FRAME>", "", "mandatory keyword missing", "REF_FRAME"),
        ("TEME", "GCRF", "not for SGP4", "REF_FRAME GCRF, expected TEME"),
        ('version="3.0"', "", "mandatory keyword missing", "CCSDS_OMM_VERS"),
        ('version="3.0"', 'version="9"', "version not known", "'9'"),
        ("<data>", "<data><EPOCH>2020-01-01T00:00:00</EPOCH>", "keyword repeated", "EPOCH"),
        ("TEST OBJECT", "A" * (LONGEST_VALUE + 1), "value too long", "OBJECT_NAME is longer"),
        ("<data>", "<data><omm></omm>", "message not ended", "another <omm>"),
    ],
)
def test_rejected_with_a_reason(old, new, reason, detail):
    first, second, third = read(changed(old, new))
    assert (first.identifier, third.identifier) == (1, 3)
    assert isinstance(second, Rejected)
    assert (second.reason, second.identifier) == (reason, "2")
    assert detail in second.detail
    assert second.line > first.line


def test_other_messages_are_listed():
    text = as_xml([message(number=4)]).replace("</ndm>", "<oem version='2.0'><header/></oem><OEM/></ndm>")
    assert [getattr(one, "reason", "read") for one in read(text)] == ["read", "not an OMM", "not an OMM"]
    nested = as_xml([message(number=4)]).replace("<omm", "<COMMENT><omm", 1).replace("</omm>", "</omm></COMMENT>", 1)
    assert [one.identifier for one in read(nested)] == [4]


BOMB = "<!DOCTYPE ndm [<!ENTITY a 'ha'>" + "".join(
    f"<!ENTITY {new} '{f'&{old};' * 10}'>" for old, new in zip("abcdefgh", "bcdefghi", strict=True)
)


@pytest.mark.parametrize(
    ("text", "found"),
    [
        (BOMB + "]><ndm>&i;</ndm>", "the file has a document type declaration"),
        ("<!DOCTYPE ndm SYSTEM 'file:///etc/passwd'><ndm/>", "the file has a document type declaration"),
        ("<!DOCTYPE ndm [<!ENTITY a SYSTEM 'file:///etc/passwd'>]><ndm>&a;</ndm>", "the file has a document type"),
        ("<ndm>&a;</ndm>", "not well-formed or cut (undefined entity)"),
        ("<ndm><omm>", "not well-formed or cut (no element found)"),
        ("<ndm></omm>", "not well-formed or cut (mismatched tag)"),
        ("<ndm/><ndm/>", "not well-formed or cut (junk after document element)"),
        ("<ndm>\0</ndm>", "not well-formed or cut (not well-formed (invalid token))"),
        ("<a>" * (DEEPEST + 1), "the root is <a>"),
        ("<ndm>" + "<a>" * (DEEPEST + 1), f"elements are nested deeper than {DEEPEST}"),
        ("<ndm>" + "".join(f"<a{k}/>" for k in range(MOST_NAMES)), "elements and attributes have more than"),
        ("<ndm>" + "".join(f"<a b{k}='c'/>" for k in range(MOST_NAMES)), "elements and attributes have more than"),
        ("<ndm>" + "".join(f"<a xmlns:b{k}='c'/>" for k in range(MOST_NAMES)), "elements and attributes have more"),
    ],
)
def test_hostile_and_broken_files(text, found):
    with pytest.raises(CatalogueError) as caught:
        read("\n" + text)
    assert str(caught.value).startswith(f"test.xml: line 2: {found}")
    assert str(caught.value).endswith("; expected OMM as XML, <ndm> or <omm>; fetch the file again")


@pytest.mark.parametrize("beginning", ["<ndm a='", "<ndm><!-- ", "<ndm><", "<ndm><?a "])
def test_a_tag_without_end_takes_little_memory(beginning):
    class Endless(io.RawIOBase):
        """A gigabyte of one letter, which nobody has to keep."""

        def __init__(self):
            self.left = 1 << 30
            self.begun = False

        def read(self, size=-1):
            if not self.begun:
                self.begun = True
                return beginning.encode()
            self.left -= size
            return b"x" * size if self.left > 0 else b""

    stream = Endless()
    with pytest.raises(CatalogueError, match=f"a tag, comment or instruction is longer than {LONGEST_TAG} characters"):
        list(read_xml(stream, source="test.xml"))
    assert stream.left > (1 << 30) - 4 * LONGEST_TAG


def test_a_value_without_end_takes_little_memory():
    text = as_xml([message(number=5)]).replace("TEST OBJECT", "A" * 20_000_000).encode()
    tracemalloc.start()
    (rejected,) = read(text)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert (rejected.identifier, rejected.reason) == ("5", "value too long")
    assert peak < 22_000_000  # 20 MB are the file itself, held by the test
