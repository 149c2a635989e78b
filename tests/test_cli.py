"""The command line: what each command but `serve` prints, refuses, and leaves behind."""

import io
import json
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from fhir.resources.R4B.bundle import Bundle

from cds_service import cli
from tests.content.broken import copied
from tests.logs import recorded
from tests.web.sample import AT, body, bundle

Printed = pytest.CaptureFixture[str]
pytestmark = pytest.mark.usefixtures("own_log")


@pytest.fixture
def request_file(tmp_path: Path) -> str:
    path = tmp_path / "request.json"
    path.write_bytes(body())
    return str(path)


def test_a_plan_is_printed_in_plain_words_and_recorded(
    request_file: str, capsys: Printed, tmp_path: Path
) -> None:
    assert cli.main(["recommend", request_file]) == 0

    out, err = capsys.readouterr()
    assert "gentamicin" in out.lower()
    assert "{" not in out
    assert "entry 0" in err
    assert recorded(tmp_path) == 1


def test_the_caregivers_sentences_are_printed_in_the_language_asked_for(
    request_file: str, capsys: Printed
) -> None:
    assert cli.main(["recommend", request_file, "--language", "sw"]) == 0
    assert "IN THE LANGUAGE sw" in capsys.readouterr().out
    assert cli.main(["recommend", request_file]) == 0
    assert "IN THE LANGUAGE" not in capsys.readouterr().out


def test_catalogues_are_brought_up_to_date(tmp_path: Path, capsys: Printed) -> None:
    folder = copied(tmp_path) / "sick-young-infant"

    assert cli.main(["catalogue", "pt-BR", "--folder", str(folder)]) == 0
    assert "pt-BR.po: " in capsys.readouterr().out
    assert (folder / "translations/pt-BR.po").is_file()


def test_an_edition_or_an_adaptation_is_used_when_asked_for(
    request_file: str, capsys: Printed, tmp_path: Path
) -> None:
    assert cli.main(["recommend", request_file, "--adaptation", "kestria"]) == 0
    assert "Adapted: Kestria (an invented country)" in capsys.readouterr().out
    assert cli.main(["recommend", request_file, "--edition", "2014.1"]) == 0
    assert "Very severe disease" in capsys.readouterr().out
    assert cli.main(["recommend", request_file, "--edition", "2013.1"]) == 1
    assert "there is: 2024.1, 2014.1" in capsys.readouterr().err
    assert recorded(tmp_path) == 2


def test_the_answer_is_printed_as_fhir_when_asked_for(request_file: str, capsys: Printed) -> None:
    assert cli.main(["recommend", request_file, "--json"]) == 0

    Bundle.model_validate_json(capsys.readouterr().out)


def test_a_request_comes_from_standard_input(
    monkeypatch: pytest.MonkeyPatch, capsys: Printed
) -> None:
    monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(body())))

    assert cli.main(["recommend", "-", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["resourceType"] == "Bundle"


def test_the_time_may_be_given_for_a_request_that_has_none(tmp_path: Path, capsys: Printed) -> None:
    (tmp_path / "bare.json").write_text(json.dumps(bundle()))

    for day in ("02", "03"):
        moment = f"2026-03-{day}T10:00:00+02:00"
        assert (
            cli.main(["recommend", str(tmp_path / "bare.json"), "--json", "--as-of", moment]) == 0
        )
        assert moment in capsys.readouterr().out


@pytest.mark.parametrize("moment", ["yesterday", "2026-03-02", "2026-03-02T10:00:00"])
def test_a_time_without_offset_is_wrong_usage(
    request_file: str, moment: str, capsys: Printed
) -> None:
    with pytest.raises(SystemExit) as ended:
        cli.main(["recommend", request_file, "--as-of", moment])
    assert ended.value.code == 2
    assert "--as-of: needs date, time and offset, for example 2026" in capsys.readouterr().err


def test_the_time_of_the_request_comes_first_and_that_is_said(
    request_file: str, capsys: Printed
) -> None:
    for moment, said in (("2026-03-03T10:00:00Z", True), ("2026-03-02T07:30:00Z", False)):
        assert cli.main(["recommend", request_file, "--json", "--as-of", moment]) == 0
        out, err = capsys.readouterr()
        assert AT in out
        assert ("--as-of was not used" in err) == said


def test_a_request_that_cannot_be_answered_is_told_in_words(
    tmp_path: Path, capsys: Printed
) -> None:
    (tmp_path / "broken.json").write_text('{"resourceType": "Bundle"')

    assert cli.main(["recommend", str(tmp_path / "broken.json")]) == 1
    out, err = capsys.readouterr()
    assert out == ""
    assert "not JSON" in err
    assert recorded(tmp_path) == 0


def test_a_file_that_is_not_there_is_told_in_words(capsys: Printed) -> None:
    assert cli.main(["recommend", "nowhere.json"]) == 1
    assert capsys.readouterr().err == "nowhere.json: there is no such file\n"


def test_a_folder_is_no_request(tmp_path: Path, capsys: Printed) -> None:
    assert cli.main(["recommend", str(tmp_path)]) == 1
    assert capsys.readouterr().err == f"{tmp_path}: is a folder, and a file is needed\n"


def test_artefacts_are_not_written_into_a_file(request_file: str, capsys: Printed) -> None:
    assert cli.main(["profiles", "--out", request_file]) == 1
    assert capsys.readouterr().err == f"{request_file}: is a file, and a folder is needed\n"


def test_a_disk_that_is_full_is_told_in_words(request_file: str) -> None:
    command = [sys.executable, "-m", "cds_service", "recommend", request_file]
    with Path("/dev/full").open("w") as full:
        ended = subprocess.run(command, stdout=full, stderr=subprocess.PIPE, text=True, check=False)

    assert ended.returncode == 1
    assert "No space left on device" in ended.stderr
    assert not re.search("Errno|Traceback|Exception", ended.stderr)


def test_a_reader_who_goes_away_is_no_fault(request_file: str, tmp_path: Path) -> None:
    reads, writes = os.pipe()
    os.close(reads)
    command = [sys.executable, "-m", "cds_service", "recommend", request_file]
    ended = subprocess.run(command, stdout=writes, stderr=subprocess.PIPE, text=True, check=False)
    os.close(writes)

    assert ended.stderr == f"Recorded as entry 0 of {tmp_path}/log.db.\n"
    assert ended.returncode == 141


def test_an_interrupt_is_no_fault(monkeypatch: pytest.MonkeyPatch, capsys: Printed) -> None:
    def interrupted(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(cli.content, "load", interrupted)

    assert cli.main(["check-content"]) == 130
    assert capsys.readouterr() == ("", "")


def test_no_log_no_plan(
    request_file: str, capsys: Printed, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setenv("CDS_DATABASE_URL", f"sqlite:///{tmp_path}")

    assert cli.main(["recommend", request_file]) == 1
    out, err = capsys.readouterr()
    assert out == ""
    assert "cannot be opened" in err


def test_an_answer_that_is_not_fhir_is_not_printed(
    request_file: str, capsys: Printed, monkeypatch: pytest.MonkeyPatch
) -> None:
    bad = b'{"resourceType": "Bundle", "entry": [{"resource": {"resourceType": "Condition"}}]}'
    monkeypatch.setattr("cds_service.service.deciding.write", lambda *_, **__: bad)

    assert cli.main(["recommend", request_file]) == 1
    out, err = capsys.readouterr()
    assert out == ""
    assert "do not use" in err


def test_the_packaged_content_has_no_findings(capsys: Printed) -> None:
    assert cli.main(["check-content"]) == 0
    assert "no findings" in capsys.readouterr().out


def test_findings_are_all_printed(tmp_path: Path, capsys: Printed) -> None:
    (tmp_path / "empty").mkdir()

    assert cli.main(["check-content", str(tmp_path / "empty")]) == 1
    err = capsys.readouterr().err
    assert f"{tmp_path}/empty/protocol.yaml:1: the file is missing" in err
    assert f"{tmp_path}/empty/classifications.yaml:1: the file is missing" in err


def test_a_folder_of_protocols_is_checked_one_by_one(tmp_path: Path, capsys: Printed) -> None:
    ours = Path(cli.__file__).parents[1] / "protocols/sick-young-infant"
    shutil.copytree(ours, tmp_path / "sick-young-infant")
    (tmp_path / "sick-child").mkdir()
    (tmp_path / "sick-child/protocol.yaml").write_text("id: sick-child\n")

    assert cli.main(["check-content", str(tmp_path / "sick-young-infant")]) == 0
    assert "no findings" in capsys.readouterr().out
    assert cli.main(["check-content", str(tmp_path)]) == 1
    out, err = capsys.readouterr()
    assert "sick-young-infant" in out
    assert f"{tmp_path}/sick-child/signs.yaml:1:" in err
    assert "sick-young-infant" not in err


def test_content_that_is_not_in_a_folder_is_told_by_name(
    request_file: str, tmp_path: Path, capsys: Printed
) -> None:
    for place, what in (
        (tmp_path / "none", "there is no such folder"),
        (request_file, "is a file"),
    ):
        assert cli.main(["check-content", str(place)]) == 1
        assert capsys.readouterr().err == (
            f"{place}: {what}; give a protocol's folder, or the folder they are in\n"
        )


def test_the_artefacts_are_written_and_then_agree(tmp_path: Path, capsys: Printed) -> None:
    out = ["--out", str(tmp_path / "profiles")]

    assert cli.main(["profiles", "--check", *out]) == 1
    assert "missing" in capsys.readouterr().err
    assert cli.main(["profiles", *out]) == 0
    assert cli.main(["profiles", "--check", *out]) == 0


def test_an_artefact_that_differs_or_is_left_over_is_told(tmp_path: Path, capsys: Printed) -> None:
    folder = tmp_path / "profiles"
    cli.main(["profiles", "--out", str(folder)])
    (folder / "finding.json").write_text("{}")
    (folder / "of-last-year.json").write_text('{"resourceType": "ValueSet"}')
    (folder / "by-hand.json").write_text('{"resourceType": "StructureDefinition"}')

    assert cli.main(["profiles", "--check", "--out", str(folder)]) == 1
    err = capsys.readouterr().err
    assert "finding.json: differs" in err
    assert "of-last-year.json: nothing makes it" in err
    assert "by-hand.json: nothing makes it" in err


def test_the_committed_artefacts_are_those_of_the_content() -> None:
    committed = Path(__file__).parents[1] / "profiles"

    assert cli.main(["profiles", "--check", "--out", str(committed)]) == 0


def test_a_command_is_needed() -> None:
    with pytest.raises(SystemExit) as ended:
        cli.main([])
    assert ended.value.code == 2


def test_the_readme_shows_every_command_with_its_options(capsys: Printed) -> None:
    readme = (Path(__file__).parents[1] / "README.md").read_text()
    shown = {
        name: set(re.findall(r"--[a-z-]+", rest))
        for name, rest in re.findall(r"^\| `cds-service ([a-z-]+)(.*?)`", readme, re.MULTILINE)
    }

    with pytest.raises(SystemExit):
        cli.main(["--help"])
    assert set(re.findall(r"^    ([a-z-]+)(?:  |$)", capsys.readouterr().out, re.MULTILINE)) == set(
        shown
    )
    for name, options in shown.items():
        with pytest.raises(SystemExit):
            cli.main([name, "--help"])
        real = set(re.findall(r"--[a-z-]+", capsys.readouterr().out.split("options:")[1]))
        assert real - {"--help"} == options


def test_labels_are_written_to_files_and_recorded(
    request_file: str, capsys: Printed, tmp_path: Path
) -> None:
    assert cli.main(["label", request_file, "--language", "fr", "--to", f"{tmp_path}/out"]) == 0

    paths = [Path(line) for line in capsys.readouterr().out.splitlines()]
    assert [path.name for path in paths] == ["label-a6.pdf", "leaflet-a5.pdf"]
    assert all(path.read_bytes().startswith(b"%PDF-") for path in paths)
    assert recorded(tmp_path) == 3


def test_each_sheet_of_an_svg_is_a_file_of_its_own(
    request_file: str, capsys: Printed, tmp_path: Path
) -> None:
    asked = ["label", request_file, "--paper", "58mm", "--format", "svg", "--to", str(tmp_path)]
    assert cli.main([*asked, "--as-of", AT]) == 0

    paths = [Path(line) for line in capsys.readouterr().out.splitlines()]
    assert len(paths) > 1
    assert paths[0].name == "label-58mm-1.svg"
    assert all(path.read_text("utf-8").startswith("<svg") for path in paths)


def test_a_name_that_cannot_be_printed_writes_no_file(capsys: Printed, tmp_path: Path) -> None:
    sent = bundle()
    sent["entry"][0]["resource"]["name"] = [{"text": "Wren \u202e"}]
    (tmp_path / "request.json").write_text(json.dumps(sent), encoding="utf-8")
    asked = ["label", str(tmp_path / "request.json"), "--to", f"{tmp_path}/out", "--as-of", AT]

    assert cli.main(asked) == 1
    assert "U+202E" in capsys.readouterr().err
    assert not (tmp_path / "out").exists()
    assert cli.main([*asked, "--blank-name"]) == 0
