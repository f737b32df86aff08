"""Photos that come in: good ones once each, bad ones refused with a sentence and nothing stored."""

import io
import json
import struct
import zlib

import pytest
from sqlalchemy import func, select

from models.database import reading
from models.records import Job, Photo, SavedSetup

JSON = {"Accept": "application/json"}
SETUP = {"lighting": "dark_field", "field_mm": [0, 0, 320, 240], "mm_per_px": 1.0}


def _png_of(width, height):
    """A small PNG file whose header promises this many pixels (PNG specification, sections 5 and 11.2.2)."""

    def chunk(kind, content):
        return (
            struct.pack(">I", len(content)) + kind + content + struct.pack(">I", zlib.crc32(kind + content))
        )

    header = struct.pack(">IIBBBBB", width, height, 8, 0, 0, 0, 0)
    rows = zlib.compress(bytes((width + 1) * 8))
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", rows) + chunk(b"IEND", b"")


def _send(client, sheet_id, *files, headers=JSON, **form):
    photos = [(io.BytesIO(data), name) for name, data in files]
    return client.post(f"/inspect/sheets/{sheet_id}/photos", data={"photos": photos, **form}, headers=headers)


def _counts(plant):
    with reading(plant.sessions) as session:
        rows = [session.scalar(select(func.count()).select_from(table)) for table in (Photo, Job)]
    return (*rows, len(list(plant.store.hashes())))


HOSTILE = [
    ("notes.jpg", b"these are only words\n" * 20, "this is not a photo but text"),
    ("cut.jpg", None, "damaged or cut short"),
    ("ended.jpg", b"\xff\xd9", "damaged or cut short; expected a whole photo"),
    ("empty.jpg", b"", "0 bytes"),
    ("huge.png", _png_of(20_000, 10_000), "200 megapixels"),
    ("long.png", _png_of(32_767, 100), "32767 x 100 pixels; expected at most 32766 pixels on each side"),
    ("manual.jpg", b"%PDF-1.7 ...", "PDF"),
    ("film.gif", b"GIF89a" + bytes(50), "GIF"),
    ("shape.jpg", b"<svg xmlns='http://www.w3.org/2000/svg'/>", "this is not a photo"),
]


@pytest.mark.parametrize(("name", "data", "sentence"), HOSTILE, ids=[row[0] for row in HOSTILE])
def test_what_is_no_photo_is_refused_by_name_and_leaves_nothing(
    inspector, booth, plant, photo_bytes, name, data, sentence
):
    if name in ("cut.jpg", "ended.jpg"):
        data = photo_bytes[: len(photo_bytes) * 6 // 10] + (data or b"")
    answer = _send(inspector, booth.sheet_ids[0], (name, data))
    assert answer.status_code == 400
    message = answer.json["error"]["message"]
    assert name in message
    assert sentence in message
    assert _counts(plant) == (0, 0, 0)


def test_a_good_photo_is_stored_with_its_job(inspector, booth, plant, photo_bytes):
    answer = _send(inspector, booth.sheet_ids[0], ("one.jpg", photo_bytes))
    assert answer.status_code == 200
    assert len(answer.json["photos"][0]["sha256"]) == 64
    assert _counts(plant) == (1, 1, 1)


def test_the_same_photo_sent_twice_is_one_photo(inspector, booth, plant, photo_bytes):
    first = _send(inspector, booth.sheet_ids[0], ("one.jpg", photo_bytes)).json
    again = _send(inspector, booth.sheet_ids[0], ("copy.jpg", photo_bytes)).json
    assert again["photos"][0]["id"] == first["photos"][0]["id"]
    assert _counts(plant) == (1, 1, 1)


def test_the_good_ones_of_several_go_in_and_the_bad_one_is_named(inspector, booth, plant, photo_bytes):
    answer = _send(inspector, booth.sheet_ids[0], ("notes.jpg", b"words"), ("one.jpg", photo_bytes))
    assert [photo["name"] for photo in answer.json["photos"]] == ["one.jpg"]
    assert "notes.jpg" in answer.json["refused"][0]
    assert _counts(plant) == (1, 1, 1)


def test_without_scripts_the_sentence_comes_back_on_the_page(inspector, booth):
    sheet = f"/inspect/sheets/{booth.sheet_ids[0]}"
    photos = [(io.BytesIO(b"words"), "notes.jpg")]
    page = inspector.post(f"{sheet}/photos", data={"photos": photos, "back": sheet}, follow_redirects=True)
    assert page.status_code == 200
    assert "notes.jpg: this is not a photo but text" in page.text


def test_a_set_up_file_goes_with_the_photo_of_its_name(inspector, booth, plant, photo_bytes):
    setup = (io.BytesIO(json.dumps(SETUP).encode()), "one.setup.json")
    other = (io.BytesIO(json.dumps({**SETUP, "mm_per_px": 2.0}).encode()), "two.setup.json")
    _send(inspector, booth.sheet_ids[0], ("one.jpg", photo_bytes), setup_files=[setup, other])
    with reading(plant.sessions) as session:
        assert session.scalars(select(Photo)).one().setup["mm_per_px"] == 1.0


def test_a_broken_set_up_file_is_refused_with_file_field_and_expectation(
    inspector, booth, plant, photo_bytes
):
    setup = (io.BytesIO(json.dumps({**SETUP, "lighting": "candle"}).encode()), "one.setup.json")
    answer = _send(inspector, booth.sheet_ids[0], ("one.jpg", photo_bytes), setup_files=[setup])
    message = answer.json["error"]["message"]
    assert "one.setup.json: lighting" in message
    assert "dark_field" in message
    assert _counts(plant) == (0, 0, 0)


def test_a_saved_set_up_is_chosen_and_moved_to_its_tile(inspector, signed_in, booth, plant, photo_bytes):
    lead = signed_in("quality_lead")
    file = (io.BytesIO(json.dumps(SETUP).encode()), "tile.setup.json")
    lead.post(
        f"/inspect/lines/{booth.line_id}/set-ups",
        data={"setup_file": file, "name": "Tile", "first_choice": "on"},
    )
    assert "1 mm per pixel" in inspector.get(f"/inspect/lines/{booth.line_id}/set-ups").text
    assert "Tile</option>" in inspector.get(f"/inspect/sheets/{booth.sheet_ids[0]}").text
    _send(inspector, booth.sheet_ids[0], ("one.jpg", photo_bytes), setup_id="1", x0_mm="1000", y0_mm="500")
    with reading(plant.sessions) as session:
        assert session.scalars(select(Photo)).one().setup["field_mm"] == [1000, 500, 1320, 740]


def test_an_inspector_does_not_save_set_ups(inspector, booth):
    assert inspector.post(f"/inspect/lines/{booth.line_id}/set-ups").status_code == 403


def test_a_photo_for_a_sheet_that_does_not_exist_is_refused(inspector, booth, plant, photo_bytes):
    answer = _send(inspector, 999, ("one.jpg", photo_bytes))
    assert answer.status_code in (400, 404)
    assert "no such sheet" in answer.json["error"]["message"]
    assert _counts(plant)[:2] == (0, 0)


def test_a_photo_above_the_limit_is_refused_in_megabytes(inspector, booth, plant, app, photo_bytes):
    app.config["MAX_CONTENT_LENGTH"] = 1000
    answer = _send(inspector, booth.sheet_ids[0], ("one.jpg", photo_bytes))
    assert answer.status_code == 413
    assert "a photo may have 60 MB" in answer.json["error"]["message"]
    assert _counts(plant) == (0, 0, 0)


def test_file_names_cannot_lead_out_of_the_store(inspector, booth, plant, photo_bytes):
    _send(inspector, booth.sheet_ids[0], ("../../etc/one.jpg", photo_bytes))
    with reading(plant.sessions) as session:
        name = session.scalars(select(Photo.name)).one()
    assert name == "one.jpg"


def test_browsers_get_a_picture_of_our_own_making(inspector, photographed, photo_bytes):
    for size in ("view", "thumb"):
        with inspector.get(f"/photos/{photographed}/{size}.jpg") as answer:
            assert answer.status_code == 200
            assert answer.mimetype == "image/jpeg"
            assert answer.data[:2] == b"\xff\xd8"
            assert answer.data != photo_bytes
            assert "private" in answer.headers["Cache-Control"]


def test_the_original_leaves_byte_for_byte_as_a_download(inspector, signed_in, photographed, photo_bytes):
    assert inspector.get(f"/photos/{photographed}/original").status_code == 403
    with signed_in("claims_desk").get(f"/photos/{photographed}/original") as answer:
        assert answer.data == photo_bytes
        assert answer.headers["Content-Disposition"].startswith("attachment")
        assert answer.mimetype == "application/octet-stream"


def test_a_photo_is_looked_at_again_with_another_set_up(inspector, signed_in, booth, plant, photographed):
    file = (io.BytesIO(json.dumps(SETUP).encode()), "tile.setup.json")
    signed_in("administrator").post(
        f"/inspect/lines/{booth.line_id}/set-ups", data={"setup_file": file, "name": "Tile"}
    )
    answer = inspector.post(f"/inspect/photos/{photographed}/again", data={"setup_id": "1"}, headers=JSON)
    assert answer.json["photos"][0]["state"] == "waiting"
    with reading(plant.sessions) as session:
        assert session.get_one(Photo, photographed).setup["mm_per_px"] == 1.0


def test_a_set_up_entered_field_by_field_is_the_same_as_its_file(signed_in, booth, plant):
    lead = signed_in("quality_lead")
    fields = {"name": "Bench", "lighting": "bright_field", "thickness_mm": "4", "tag_side_mm": "36,0"}
    fields |= {"field_x0": "-48", "field_y0": "-48", "field_x1": "548", "field_y1": "428"}
    fields |= {"tag_0_x": "-41", "tag_0_y": "-41", "tag_1_x": "505", "tag_1_y": "-41", "tag_1_id": "7"}
    lead.post(f"/inspect/lines/{booth.line_id}/set-ups", data=fields)
    with reading(plant.sessions) as session:
        saved = session.scalars(select(SavedSetup)).one().setup
    assert saved == {
        "lighting": "bright_field",
        "thickness_mm": 4.0,
        "field_mm": [-48.0, -48.0, 548.0, 428.0],
        "tags": {
            "dictionary": "DICT_5X5_50",
            "corners_mm": {
                "0": [[-41.0, -41.0], [-5.0, -41.0], [-5.0, -5.0], [-41.0, -5.0]],
                "7": [[505.0, -41.0], [541.0, -41.0], [541.0, -5.0], [505.0, -5.0]],
            },
        },
    }


@pytest.mark.parametrize(
    ("fields", "sentence"),
    [
        ({"field_x0": "1"}, "expected all four sides"),
        ({"sheet_width_mm": "500"}, "expected both width and length"),
        ({"tag_2_x": "5"}, "tag 2: expected x and y"),
        ({"mm_per_px": "0.2"}, "field_mm"),
        ({"mm_per_px": "small"}, "is no number"),
    ],
)
def test_a_set_up_with_a_gap_is_refused_and_not_saved(signed_in, booth, plant, fields, sentence):
    answer = signed_in("quality_lead").post(
        f"/inspect/lines/{booth.line_id}/set-ups",
        data={"name": "Bench", "lighting": "dark_field", **fields},
        headers=JSON,
    )
    assert answer.status_code == 400
    assert sentence in answer.json["error"]["message"]
    with reading(plant.sessions) as session:
        assert session.scalars(select(SavedSetup)).all() == []
