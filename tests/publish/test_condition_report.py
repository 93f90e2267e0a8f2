import io

import pytest
from finished import mark, write_finished, write_session
from pypdf import PdfReader

from lightdome.publish.steps import write_report

HOSTILE = '#panic(1) *bold* <label> $x$ @ref #image(1) \\\\ 中 # \\" end'


def report_of(done):
    path = done.plate / "report.pdf"
    write_report(done.plate, done.session, path)
    return path.read_bytes()


def text_of(pdf):
    return " ".join(" ".join(page.extract_text().split()) for page in PdfReader(io.BytesIO(pdf)).pages)


@pytest.fixture(scope="module")
def report(tmp_path_factory):
    return report_of(write_finished(tmp_path_factory.mktemp("report")))


def test_the_report_names_the_plate_its_marks_and_their_uncertainty(report):
    text = text_of(report)
    for words in (
        "TP-017",
        "tide table, upper half",
        "zinc",
        "2031-05-14",
        "Tern Point harbour office",
        "A. Example",
        "8 lamps, 20° to 55° above the plate",
        "usable with warnings",
        "m0001",
        "18.2 ± 1.2",
        "metal was pushed aside",
        "not traceable",
        "Signature",
        "Overall condition, grade",
        "solve-normals 0.1.0",
    ):
        assert words in text, words
    assert "damage is for the conservator to say" in text


def test_the_report_says_what_it_is_to_archives_and_to_readers_aloud(report):
    # ISO 19005-2: pdfaid:part 2, conformance A (tagged; includes B); ISO 14289-1: pdfuaid:part 1
    reader = PdfReader(io.BytesIO(report))
    xmp = reader.trailer["/Root"]["/Metadata"].get_object().get_data().decode()
    assert "<pdfaid:part>2</pdfaid:part>" in xmp
    assert "<pdfaid:conformance>A</pdfaid:conformance>" in xmp
    assert "<pdfuaid:part>1</pdfuaid:part>" in xmp
    root = reader.trailer["/Root"]
    assert root["/MarkInfo"]["/Marked"]
    assert root["/Lang"].startswith("en")
    assert not reader.is_encrypted
    assert "/JavaScript" not in str(root)
    for page in reader.pages:
        for font in page["/Resources"].get("/Font", {}).values():
            described = font.get_object()["/DescendantFonts"][0].get_object()["/FontDescriptor"].get_object()
            assert any(key in described for key in ("/FontFile2", "/FontFile3"))


def test_every_picture_has_its_alternative_text(report):
    reader = PdfReader(io.BytesIO(report))
    alternatives = []

    def walk(element):
        element = element.get_object()
        if isinstance(element, list):
            for part in element:
                walk(part)
        elif hasattr(element, "get") and element.get("/Type") != "/MCR":
            if element.get("/S") == "/Figure":
                alternatives.append(element.get("/Alt"))
            if "/K" in element and not isinstance(element["/K"], int):
                walk(element["/K"])

    walk(reader.trailer["/Root"]["/StructTreeRoot"])
    assert len([text for text in alternatives if text]) >= 4
    assert any("light from the left" in str(text) for text in alternatives)


def test_the_same_results_give_the_same_report(tmp_path):
    done = write_finished(tmp_path)
    assert report_of(done) == report_of(done)


def test_a_hostile_title_does_not_become_markup(tmp_path):
    text = text_of(report_of(write_finished(tmp_path, [mark(1, evidence=["#panic(2) *_`"])], title=HOSTILE)))
    assert "#panic(1) *bold* <label> $x$ @ref #image(1)" in text
    # a letter that no font of the report has is printed as its code point
    assert "[U+4E2D]" in text
    assert "#panic(2) *_`" in text


def test_no_mark_and_no_product_still_give_a_report(tmp_path):
    none = text_of(report_of(write_finished(tmp_path / "none", marks=[])))
    assert "No mark was found on this field" in none
    session = write_session(tmp_path / "capture")
    plate = tmp_path / "results/tern-point-2031-05/TP-017"
    write_report(plate, session, plate / "report.pdf")
    nothing = text_of((plate / "report.pdf").read_bytes())
    assert "Marks were not judged" in nothing
    assert "relight/coefficients.tif" in nothing
