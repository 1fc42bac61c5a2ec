"""The judging page's service: who may ask, what is answered, what comes of it. No browser and no port."""

from __future__ import annotations

import io
import json
import re
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image
from starlette.testclient import TestClient

from pipeline import crops
from pipeline.errors import ScreeningError, UsageError
from pipeline.judging.desk import Desk
from pipeline.judging.pictures import Pictures, photo_files
from pipeline.judging.service import MOST_BODY_BYTES, _listening, judge, make_app
from pipeline.judging.verdicts import with_verdicts
from pipeline.outputs import write_outputs
from pipeline.store import Store, read_result
from tests.pipeline.made_screening import FIRST, HINGE, PANELS, SEAL, SECOND, make_screening, photo_of, show_rows

HOST = "http://127.0.0.1:8471"
JSON = {"content-type": "application/json"}
TAB, OTHER_TAB = "aa" * 16, "bb" * 16


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_screening(tmp_path_factory.mktemp("made"))


@pytest.fixture
def out(made: Path, tmp_path: Path) -> Path:
    """A screening of the test's own; its photos are shared."""
    return Path(shutil.copytree(made, tmp_path / "out"))


@pytest.fixture
def client(out: Path) -> Iterator[TestClient]:
    with client_of(out) as opened:
        yield opened


class client_of:
    """A client of the service for one reader; leaving it is stopping the program."""

    def __init__(self, out: Path, reader: str = "anna", quiet_s: float = 0.0) -> None:
        self.store = Store.open(out)
        screened = self.store.screened()
        pictures = Pictures(out, photo_files(screened.batch, out / "unpacked"))
        desk = Desk(self.store, out, reader, pictures)
        self.client = TestClient(
            make_app(desk, made_with=screened.made_with, quiet_s=quiet_s),
            base_url=HOST,
            headers={"origin": HOST},
        )

    def __enter__(self) -> TestClient:
        self.client.__enter__()
        return self.client

    def __exit__(self, *error: object) -> None:
        self.client.__exit__(*error)
        self.store.__exit__(None, None, None)


def sheet(client: TestClient, zone: str = "hinge", advert: str = FIRST) -> dict[str, Any]:
    reply = client.get("/api/sheet", params={"advert": advert, "zone": zone})
    assert reply.status_code == 200
    return dict(reply.json())


def body_of(sighting: dict[str, Any], advert: str = FIRST, tab: str = TAB, **change: Any) -> dict[str, Any]:
    content = {
        "kind": "mark", "verdict": "sign", "cue": sighting["cue"], "cause": None, "box": sighting["place"],
        "zone": sighting["zone"], "side": sighting["side"],
    } | change  # fmt: skip
    return {
        "advert": advert, "sha256": sighting["sha256"], "item": sighting["item"], "content": content,
        "seen": sighting["version"], "tab": tab,
    }  # fmt: skip


# --- who may ask -----------------------------------------------------------------------------------------------------


def test_another_name_for_this_machine_is_refused(client: TestClient) -> None:
    """DNS rebinding: a foreign name that was pointed to the loopback is sent as the host."""
    for host in ("evil.example", "evil.example:8471", "127.0.0.1.evil.example", "", "[::1", "localhost@evil.example"):
        assert client.get("/", headers={"host": host}).status_code == 403, host
    for host in ("127.0.0.1:8471", "localhost:9", "localhost"):
        assert client.get("/", headers={"host": host}).status_code == 200, host


@pytest.mark.parametrize(
    "origin", ["https://evil.example", "null", "http://localhost:3000", "https://127.0.0.1:8471", ""]
)
def test_another_page_cannot_answer(client: TestClient, origin: str) -> None:
    body = body_of(sheet(client)["sightings"][0])
    assert client.post("/api/answer", json=body, headers={"origin": origin}).status_code == 403
    assert client.post("/api/undo", json={"advert": FIRST, "tab": TAB}, headers={"origin": origin}).status_code == 403
    assert sheet(client)["sightings"][0]["answer"] is None


def test_a_request_without_an_origin_or_as_a_form_is_refused(client: TestClient) -> None:
    del client.headers["origin"]
    assert client.post("/api/undo", json={"advert": FIRST, "tab": TAB}).status_code == 403
    content = json.dumps({"advert": FIRST, "tab": TAB})
    for kind in ("text/plain", "application/x-www-form-urlencoded", "multipart/form-data", ""):  # need no preflight
        reply = client.post("/api/undo", content=content, headers={"origin": HOST, "content-type": kind})
        assert reply.status_code == 415


def test_a_body_is_bounded_whether_its_length_is_told_or_not(client: TestClient) -> None:
    large = b"[" + b" " * MOST_BODY_BYTES + b"]"
    assert client.post("/api/undo", content=large, headers=JSON).status_code == 413
    assert (
        client.post(
            "/api/undo", content=(large[i : i + 999] for i in range(0, len(large), 999)), headers=JSON
        ).status_code
        == 413
    )


def test_pages_carry_no_foreign_address_and_may_not_be_framed(client: TestClient) -> None:
    for path in ("/", "/sheet?advert=mill-lane&zone=hinge"):
        reply = client.get(path)
        assert re.findall(r"(?:src|href)=\"(?!/)[^\"#]", reply.text) == []
        policy = reply.headers["content-security-policy"]
        assert "default-src 'none'" in policy and "frame-ancestors 'none'" in policy and "unsafe" not in policy
        assert reply.headers["cross-origin-resource-policy"] == "same-origin"
        assert "access-control-allow-origin" not in reply.headers
    assert client.get("/docs").status_code == client.get("/openapi.json").status_code == 404


def test_what_strangers_wrote_is_text(client: TestClient) -> None:
    assert "<script>alert" not in client.get("/").text
    page = client.get("/sheet", params={"advert": SECOND, "zone": "hinge"}).text
    assert "<script>alert" not in page and "<b>yard" not in page
    data = re.search(r'<script type="application/json" id="sheet">(.*?)</script>', page, re.DOTALL)
    assert data is not None and json.loads(data[1])["title"].endswith("<script>alert(1)</script>")


@pytest.mark.parametrize(
    "path",
    ["/photo/..%2f..%2fmaskline.sqlite", "/photo/0000", "/heat/0000/filler", "/cut/0000?x=0&y=0&width=9&height=9",
     "/sheet?advert=nobody", "/sheet?advert=mill-lane&zone=boot", "/assets/..%2f..%2fservice.py", "/nothing"],
)  # fmt: skip
def test_what_is_not_there_is_not_found(client: TestClient, path: str) -> None:
    reply = client.get(path)
    assert reply.status_code == 404 and "Traceback" not in reply.text
    as_page = client.get(path, headers={"accept": "text/html"})
    assert as_page.status_code == 404


# --- what is shown ---------------------------------------------------------------------------------------------------


def test_sheets_hold_the_sightings_of_one_place(client: TestClient) -> None:
    hinge = sheet(client)
    assert [s["cue"] for s in hinge["sightings"]] == ["painted_fastener"] * 2
    tallies = {tally["zone"]: (tally["total"], tally["open"]) for tally in hinge["sheets"]}
    assert tallies["hinge"] == (2, 2) and tallies["door_seal"] == (1, 1) and tallies["wing_front"] == (1, 1)
    measured = sheet(client, "wing_front")["sightings"][0]
    assert measured["origin"] == "measured" and measured["words"] == "9.00 ± 0.80 ΔE00"
    assert len(sheet(client, "all")["sightings"]) == 4 and len(sheet(client, "all")["photos"]) == 3
    assert sheet(client, "hinge")["photos"][sheet(client, "hinge")["sightings"][0]["sha256"]]["others"] == []


def test_pictures_are_whole_and_without_metadata(client: TestClient) -> None:
    s = sheet(client)["sightings"][0]
    whole = Image.open(io.BytesIO(client.get(f"/photo/{s['sha256']}").content))
    assert whole.size == (960, 720) and not whole.getexif()
    cut = Image.open(io.BytesIO(client.get(f"/cut/{s['sha256']}", params=s["cut"]).content))
    assert cut.size == (s["cut"]["width"], s["cut"]["height"])
    x, y = (
        HINGE.x - s["cut"]["x"] + 60,
        HINGE.y - s["cut"]["y"] + 40,
    )  # the middle of the patch that the photo has there
    red, green, blue = cut.convert("RGB").getpixel((x, y))
    assert red > 150 and green < 80 and blue < 80
    heat = Image.open(io.BytesIO(client.get(f"/heat/{s['sha256']}/painted_fastener").content))
    assert heat.mode == "RGBA" and heat.getchannel("A").getextrema()[1] > 100
    assert client.get(f"/cut/{s['sha256']}", params={"x": 5000, "y": 0, "width": 9, "height": 9}).status_code == 404


def test_a_photo_that_was_moved_is_shown_reduced(tmp_path: Path) -> None:
    out = make_screening(tmp_path)
    (out.parent / "batch").rename(out.parent / "elsewhere")
    with client_of(out) as client:
        s = sheet(client)["sightings"][0]
        assert Image.open(io.BytesIO(client.get(f"/photo/{s['sha256']}").content)).size == (720, 540)
        assert client.get(f"/cut/{s['sha256']}", params=s["cut"]).status_code == 200
    (out.parent / "elsewhere").rename(out.parent / "batch")
    (out.parent / "batch" / FIRST / "a.jpg").write_bytes((out.parent / "batch" / FIRST / "b.jpg").read_bytes())
    with client_of(out) as client:  # the file is another one now
        a = next(k for k, photo in sheet(client, "all")["photos"].items() if photo["name"] == "a.jpg")
        assert Image.open(io.BytesIO(client.get(f"/photo/{a}").content)).size == (720, 540)


# --- what is answered ------------------------------------------------------------------------------------------------


def test_an_answer_is_kept_at_once_and_told(client: TestClient, out: Path) -> None:
    s = sheet(client)["sightings"][0]
    reply = client.post("/api/answer", json=body_of(s))
    assert reply.status_code == 200
    assert reply.json()["version"] > 0 and reply.json()["answer"]["verdict"] == "sign"
    assert {"zone": "hinge", "label": "Door hinges", "total": 2, "open": 1} in reply.json()["sheets"]
    assert sheet(client)["sightings"][0]["answer"] == reply.json()["answer"]


def test_two_tabs_do_not_lose_each_others_answers(client: TestClient) -> None:
    first, second = sheet(client)["sightings"]
    assert client.post("/api/answer", json=body_of(first)).status_code == 200
    assert client.post("/api/answer", json=body_of(second, tab=OTHER_TAB, verdict="cannot_tell")).status_code == 200
    late = client.post("/api/answer", json=body_of(first, tab=OTHER_TAB, verdict="cannot_tell"))
    assert late.status_code == 409 and late.json()["answer"]["verdict"] == "sign"
    kept = sheet(client)["sightings"]
    assert [s["answer"]["verdict"] for s in kept] == ["sign", "cannot_tell"]
    again = client.post("/api/answer", json=body_of(kept[0], tab=OTHER_TAB, verdict="cannot_tell"))
    assert again.status_code == 200
    refused = client.post("/api/undo", json={"advert": FIRST, "tab": TAB})
    assert refused.status_code == 409 and refused.json()["answer"]["verdict"] == "cannot_tell"


def test_undo_goes_back_step_by_step(client: TestClient) -> None:
    undo = {"advert": FIRST, "tab": TAB}
    s = sheet(client)["sightings"][0]
    client.post("/api/answer", json=body_of(s))
    client.post("/api/answer", json=body_of(sheet(client)["sightings"][0], verdict="innocent", cause="dirt"))
    assert client.post("/api/undo", json=undo).json()["answer"]["verdict"] == "sign"
    assert client.post("/api/undo", json=undo).json()["answer"] is None
    assert client.post("/api/undo", json=undo).json() == {"item": None}


def test_a_second_reader_sees_what_was_seen_not_what_was_answered(out: Path) -> None:
    with client_of(out) as anna:
        for s in sheet(anna)["sightings"]:
            anna.post("/api/answer", json=body_of(s))
        added = sheet(anna)["sightings"][0] | {"item": "added 00ff", "version": 0}
        anna.post("/api/answer", json=body_of(added, cue="masking_edge"))
    with client_of(out, "ben") as ben:
        seen = sheet(ben)["sightings"]
        assert [s["answer"] for s in seen] == [None] * 3 and seen[2]["origin"] == "reader"
        ben.post("/api/answer", json=body_of(seen[0]))
        ben.post("/api/answer", json=body_of(seen[1], verdict="innocent", cause="dirt"))
        page = " ".join(ben.get("/").text.split())
        assert "anna and ben" in page and '<td class="number">2</td><td class="number">1</td>' in page


@pytest.mark.parametrize(
    ("change", "fault"),
    [
        ({"content": {"kind": "mark"}}, "Field required"),
        ({"item": "shot"}, "another kind"),
        ({"item": "hinge"}, "another kind"),
        ({"sha256": "0" * 64}, "no such photo"),
        ({"advert": "nobody"}, "no such advert"),
        ({"tab": "<b>"}, "pattern"),
        ({"seen": -1}, "greater than"),
        ({"more": 1}, "not permitted"),
    ],
)
def test_what_fits_nothing_is_refused_with_a_reason(client: TestClient, change: dict[str, Any], fault: str) -> None:
    s = sheet(client)["sightings"][0]
    reply = client.post("/api/answer", json=body_of(s) | change)
    assert reply.status_code in (404, 422) and fault in reply.json()["fault"] and reply.json()["remedy"]
    assert sheet(client)["sightings"][0]["answer"] is None


def test_a_box_stays_in_its_photo_and_only_added_marks_are_withdrawn(client: TestClient) -> None:
    s = sheet(client)["sightings"][0]
    outside = client.post("/api/answer", json=body_of(s, box={"x": 900, "y": 0, "width": 61, "height": 5}))
    assert outside.status_code == 422 and "out of the photo" in outside.json()["fault"]
    assert client.post("/api/answer", json=body_of(s, verdict="withdrawn")).status_code == 422
    sideless = client.post("/api/answer", json=body_of(s, zone="bonnet", side="left"))
    assert sideless.json()["answer"]["side"] is None  # a bonnet has none


def test_a_missed_sign_has_its_place_on_the_sheet_until_it_is_withdrawn(client: TestClient) -> None:
    s = sheet(client)["sightings"][0] | {"item": "added 00ff"}
    added = body_of(s, cue="filler", zone="roof", side=None, box={"x": 5, "y": 6, "width": 70, "height": 80})
    assert client.post("/api/answer", json=added).status_code == 200
    roof = sheet(client, "roof")
    assert [mark["cue"] for mark in roof["sightings"]] == ["filler"] and len(roof["photos"]) == 1
    assert "roof" in [tally["zone"] for tally in roof["sheets"]]
    client.post("/api/answer", json=body_of(roof["sightings"][0], verdict="withdrawn"))
    assert sheet(client, "roof")["sightings"] == []


def test_the_kind_of_view_and_looking_through(client: TestClient) -> None:
    sha256 = sheet(client)["sightings"][0]["sha256"]
    for item, content in (("shot", {"kind": "shot", "shot": "rear"}), ("looked_through", {"kind": "looked_through"})):
        body = {"advert": FIRST, "sha256": sha256, "item": item, "content": content, "seen": 0, "tab": TAB}
        assert client.post("/api/answer", json=body).status_code == 200
    photo = sheet(client)["photos"][sha256]
    assert photo["shot"]["answer"]["shot"] == "rear" and photo["looked_through"]["answer"]
    wrong = {"advert": FIRST, "sha256": sha256, "item": "shot", "content": {"kind": "shot", "shot": "side"}, "seen": 0}
    assert client.post("/api/answer", json=wrong | {"tab": TAB}).status_code == 422


def test_clicks_on_the_panel_and_the_decal_give_its_offset(client: TestClient) -> None:
    """The pellock's rear door is 860 × 620 mm with its badge at (60, 70); here a millimetre is a pixel, y up."""
    (sha256,) = sheet(client, "tub_rear")["photos"]
    points = {
        "lower_left_corner": [50, 690], "lower_right_corner": [910, 690],
        "upper_left_corner": [50, 70], "upper_right_corner": [910, 70],
    }  # fmt: skip
    content = {"kind": "decal", "decal": "maker_badge", "points": points, "corners": [[50 + 60 + 30, 690 - 70 - 40]]}
    body = {"advert": FIRST, "sha256": sha256, "item": "decal maker_badge", "content": content, "seen": 0, "tab": TAB}
    reply = client.post("/api/answer", json=body)
    assert reply.status_code == 200 and reply.json()["answer"]["measure"]["value"] == pytest.approx(50.0)  # 3-4-5
    assert "50" in reply.json()["note"]
    del points["upper_right_corner"]
    few = client.post("/api/answer", json=body | {"seen": reply.json()["version"]})
    assert few.status_code == 422 and "4 known points" in few.json()["fault"]


def test_heads_that_the_network_found_stand_for_clicks(out: Path) -> None:
    """As above, with two rows of heads in the place of the corners."""
    show_rows(out)
    with client_of(out) as client:
        found = sheet(client, "tub_rear")
        ((sha256, photo),) = found["photos"].items()
        assert found["decals"]["maker_badge"]["points"] == ["low_1", "low_11", "high_1", "high_9"]
        points = photo["decals"]["maker_badge"]["found"]
        assert len(points) == 20 and points["high_9"] == [880, 90]
        content = {"kind": "decal", "decal": "maker_badge", "points": points, "corners": [[140, 580]]}
        body = {
            "advert": FIRST,
            "sha256": sha256,
            "item": "decal maker_badge",
            "content": content,
            "seen": 0,
            "tab": TAB,
        }
        assert client.post("/api/answer", json=body).json()["answer"]["measure"]["value"] == pytest.approx(50.0)
        other = sheet(client, "hinge")["photos"].values()
        assert all(one["decals"]["maker_badge"]["found"] == {} for one in other)


# --- what comes of it ------------------------------------------------------------------------------------------------


def test_the_outputs_follow_without_the_network(out: Path) -> None:
    before = read_result(out, FIRST).refinished
    with client_of(out) as client:
        for zone in ("hinge", "door_seal", "wing_front"):
            for s in sheet(client, zone)["sightings"]:
                assert client.post("/api/answer", json=body_of(s)).status_code == 200
    signs = read_result(out, FIRST)
    assert signs.refinished > before
    lines = [json.loads(line) for line in (out / "findings.jsonl").read_text().splitlines()]
    judged = [box for line in lines for cue in line["cues"].values() for box in cue["boxes"] if box["judged"]]
    assert len(judged) == 3 and all(box["score"] == 1 for box in judged)
    assert any("judged by eye" in weight.why for weight in signs.weights)
    with client_of(out) as client:
        for zone in ("hinge", "door_seal", "wing_front"):
            for s in sheet(client, zone)["sightings"]:
                client.post("/api/answer", json=body_of(s, verdict="innocent", cause="shadow"))
    innocent = read_result(out, FIRST)
    assert innocent.refinished < before
    assert not any(weight.decibans > 0 for weight in innocent.weights)


def test_what_a_reader_marks_is_cut_out_and_the_others_keep_their_pictures(out: Path) -> None:
    """From the photo itself; where it is gone, or after another screening, from the photo as it was reduced."""
    with client_of(out) as client:
        hinge, sure = sheet(client)["sightings"]
        client.post("/api/answer", json=body_of(hinge, verdict="innocent", cause="shadow"))
        mark = hinge | {"item": "added 00ff", "version": 0}
        patch = {"x": HINGE.x + 10, "y": HINGE.y + 10, "width": 90, "height": 60}
        client.post("/api/answer", json=body_of(mark, cue="filler", zone="roof", side=None, box=patch))
    folder = crops.folder_of(hinge["sha256"])
    name = f"filler-{patch['x']}-{patch['y']}-90-60.jpg"
    middle = np.asarray(Image.open(out / folder / name))[155:165, 155:165].mean(axis=(0, 1))
    assert middle[0] > 150 and middle[1] < 80  # the photo's red patch
    shown = (out / "report").rglob("*.jpg")
    assert any(name in path.name for path in shown)
    with Store.open(out) as store:
        (out / folder / name).unlink()
        write_outputs(store, out)
        again = np.asarray(Image.open(out / folder / name))[155:165, 155:165].mean(axis=(0, 1))
        assert np.abs(again - middle).max() < 12
        answers = store.answers().by_photo()
        for photo in store.findings(FIRST):
            found = with_verdicts(photo, answers.get(photo.sha256, ()))
            for crop in crops.crops_of(found):
                assert (out / crops.crop_file(found.sha256, crop)).is_file()
    assert sure["place"]["x"] != HINGE.x


def test_the_outputs_are_written_while_the_page_is_open(client: TestClient, out: Path) -> None:
    client.post("/api/answer", json=body_of(sheet(client)["sightings"][0]))
    for _ in range(200):
        status = client.get("/api/status", params={"advert": FIRST}).json()
        if not status["behind"]:
            break
    assert not status["behind"] and status["trouble"] is None
    assert status["refinished"] and status["words"]
    assert '"judged":true' in (out / "findings.jsonl").read_text()


def test_answers_of_a_session_that_was_killed_reach_the_outputs(out: Path) -> None:
    with Store.open(out) as store:
        desk = Desk(store, out, "anna", Pictures(out, {}))
        photo = photo_of(store, FIRST, "b.jpg")
        s = next(s for s in desk.sheet(FIRST, "door_seal")["sightings"] if s["place"]["x"] == SEAL.x)
        assert s["sha256"] == photo.sha256
        from pipeline.judging.answers import Mark

        desk.put(FIRST, s["sha256"], s["item"], Mark.model_validate(body_of(s)["content"]), 0, TAB)  # and no write
    assert '"judged":true' not in (out / "findings.jsonl").read_text()
    with client_of(out):
        pass
    assert '"judged":true' in (out / "findings.jsonl").read_text()


def test_what_cannot_be_written_is_told_and_answers_go_on(out: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: object) -> None:
        raise ScreeningError("shortlist.csv", "it cannot be written (no space)", "free space")

    monkeypatch.setattr("pipeline.judging.desk.write_outputs", refuse)
    with client_of(out) as client:
        assert client.post("/api/answer", json=body_of(sheet(client)["sightings"][0])).status_code == 200
        for _ in range(200):
            trouble = client.get("/api/status", params={"advert": FIRST}).json()["trouble"]
            if trouble:
                break
        assert "no space" in trouble
        assert client.post("/api/answer", json=body_of(sheet(client)["sightings"][1])).status_code == 200


def test_what_cannot_be_judged_is_said_in_a_sentence(tmp_path: Path, out: Path) -> None:
    with pytest.raises(UsageError, match="no screening"):
        judge(tmp_path / "nothing", "anna", port=0, open_browser=False)
    with pytest.raises(UsageError, match="--reader"):
        judge(out, "  ", port=0, open_browser=False)
    with _listening(0) as taken:
        taken.listen()
        with pytest.raises(ScreeningError, match="port cannot be used"):
            judge(out, "anna", port=taken.getsockname()[1], open_browser=False)
    assert PANELS.regions[0].side == "right"
