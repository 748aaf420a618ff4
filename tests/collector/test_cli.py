"""What a user gets for bad input: one line that says what, where and what is accepted, and exit code 2."""

from __future__ import annotations

import contextlib
import io
import json
import os
import pty
import subprocess
import sys
from pathlib import Path

import pytest

from collector.cli import app, main
from collector.folder_lock import FolderLock
from tests.patience import PATIENCE_S

HEAD = '[job]\nname = "n"\n'
SCALE = '[[instrument]]\nname = "s"\nprofile = "ascii-scale-streaming"\nport = "{port}"\n'


def run(*words: object) -> tuple[int, str, str]:
    """Run the command; return exit code, output and errors."""
    out, errors = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(errors):
        try:
            main([str(word) for word in words])
            code = 0
        except SystemExit as ended:
            code = int(ended.code or 0)
    return code, out.getvalue(), errors.getvalue()


def run_process(*words: object) -> tuple[int, str, str]:
    """Run the command in a process of its own; return exit code, output and errors."""
    done = subprocess.run(
        [sys.executable, "-m", "collector.cli", *map(str, words)],
        capture_output=True,
        text=True,
        timeout=PATIENCE_S,
        check=False,
    )
    return done.returncode, done.stdout, done.stderr


def job(folder: Path, text: str) -> Path:
    (folder / "job.toml").write_text(text, encoding="utf-8")
    return folder


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (HEAD + SCALE.format(port="/dev/ttyNONE"), "/dev/ttyNONE"),
        (HEAD + SCALE.format(port="socket://x").replace("ascii-scale-streaming", "no-such"), "no-such"),
        (HEAD + '[circuit]\ncharge = "118 psi"\n', "circuit.charge: '118 psi' is not accepted; expected a mass"),
        (HEAD + '[circuit]\nrefrigerant = "R-999"\n' + SCALE.format(port="socket://127.0.0.1:9"), "R-999"),
        (HEAD + '[recorder]\ninterval = "1 ms"\n', "recorder.interval"),
        (HEAD, "no [[instrument]]"),
        ("", "job: missing"),
    ],
)
def test_a_job_that_cannot_be_recorded(tmp_path: Path, text: str, said: str) -> None:
    code, out, errors = run("record", job(tmp_path, text))
    assert code == 2
    assert said in errors
    assert errors.count("\n") == 1
    assert out == ""
    assert [file.name for file in tmp_path.iterdir() if file.suffix == ".csv"] == []


def test_a_port_in_use_is_named(tmp_path: Path) -> None:
    master, slave = pty.openpty()
    try:
        port = os.ttyname(slave)
        import serial

        with serial.Serial(port, exclusive=True):
            code, _, errors = run_process("record", job(tmp_path, HEAD + SCALE.format(port=port)))
    finally:
        os.close(master)
        os.close(slave)
    assert code == 2
    assert port in errors
    assert errors.count("\n") == 1


def test_a_pattern_without_a_value_is_refused(tmp_path: Path) -> None:
    (tmp_path / "bad.toml").write_text(
        'about = "x"\nlink = "serial"\n[line]\npattern = "(?P<unit>lb)"\n[values.weight]\nunit = "lb"\n',
        encoding="utf-8",
    )
    text = HEAD + SCALE.format(port="socket://127.0.0.1:9").replace("ascii-scale-streaming", "bad.toml")
    code, _, errors = run("record", job(tmp_path, text))
    assert code == 2
    assert "value" in errors
    assert errors.count("\n") == 1


def test_a_refusal_ends_the_process_with_a_code_and_one_line(tmp_path: Path) -> None:
    code, out, errors = run_process("review", tmp_path)
    assert (code, out, errors.count("\n")) == (2, "", 1)
    assert "no job.toml here" in errors


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("review", "{}/none"), "no such file or folder"),
        (("review", "{}"), "no job.toml here"),
        (("mark", "{}", "oil_change"), "no job.toml here"),
        (("stage", "{}", "middle", "recovery"), "middle"),
        (("acknowledge", "{}"), "no job.toml here"),
        (("revew", "{}"), "revew"),
        (("review",), "parameter PATH requires an argument"),
        (("review", "{}", "--workers", "many"), "many"),
    ],
)
def test_a_command_that_cannot_be_run(tmp_path: Path, words: tuple[str, ...], said: str) -> None:
    code, _, errors = run(*(word.format(tmp_path) for word in words))
    assert code == 2
    assert said in errors
    assert errors.count("\n") == 1


def test_a_cylinder_that_the_job_does_not_know_is_refused(tmp_path: Path) -> None:
    job(tmp_path, HEAD + '[[cylinder]]\nid = "C-1"\n')
    code, _, errors = run("mark", tmp_path, "cylinder_on", "C1")
    assert code == 2
    assert "'C1' is not accepted; expected a [[cylinder]] id of the job: C-1" in errors
    assert not (tmp_path / "journal.csv").exists()
    assert run("mark", tmp_path, "cylinder_on", "C-1") == (0, "in the journal: cylinder on C-1\n", "")
    assert run("mark", tmp_path, "cylinder_off", "C1")[0] == 2
    assert run("mark", tmp_path, "cylinder_off") == (0, "in the journal: cylinder off\n", "")
    assert run("stage", tmp_path, "begin", "at_rest") == (0, "in the journal: at rest begun\n", "")
    assert "mark,cylinder_on,C-1," in (tmp_path / "journal.csv").read_text()


def test_a_recorder_that_does_not_answer_is_one_line(tmp_path: Path) -> None:
    job(tmp_path, HEAD)
    with FolderLock(tmp_path):
        code, _, errors = run("note", tmp_path, "x")
    assert code == 2
    assert "the recorder does not answer; the note was not written" in errors
    assert errors.count("\n") == 1


def test_a_file_that_is_no_log(tmp_path: Path) -> None:
    job(tmp_path, HEAD)
    (tmp_path / "readings.csv").write_bytes(b"\x89PNG\r\n\x1a\n\x00\x01")
    code, _, errors = run("review", tmp_path)
    assert code == 2
    assert "is not a CSV" in errors
    assert not (tmp_path / "report.html").exists()


def test_review_makes_json_alone_or_summary_and_report(tmp_path: Path) -> None:
    job(tmp_path, HEAD)
    rows = "".join(f"2026-03-14T07:00:{n:02d}.000Z,{70 + n % 2}\n" for n in range(30))
    (tmp_path / "readings.csv").write_text("time,ambient_temperature [degF]\n" + rows)
    target = tmp_path / "out" / "result.json"
    target.parent.mkdir()
    assert run("review", tmp_path, "--json", target) == (0, "", "")
    assert json.loads(target.read_text())["log"]["rows"] == 30
    assert not (tmp_path / "report.html").exists()
    code, out, errors = run("review", tmp_path)
    assert (code, errors) == (0, "")
    assert "report.html" in out
    assert (tmp_path / "report.html").exists()
    assert run("verify", tmp_path)[0] == 0
    with (tmp_path / "readings.csv").open("a") as file:
        file.write("2026-03-14T07:00:31.000Z,99\n")
    code, _, errors = run("verify", tmp_path)
    assert code == 2
    assert "readings.csv has changed" in errors


def test_no_result_is_written_over_what_it_is_made_from(tmp_path: Path) -> None:
    folder = job(tmp_path, HEAD)
    log = "time,ambient_temperature [degF]\n2026-03-14T07:00:00.000Z,70\n"
    (folder / "readings.csv").write_text(log, encoding="utf-8")
    (folder / "link").symlink_to("readings.csv")
    foreign = folder / "foreign.csv"
    foreign.write_text("Time,Vac\n2026-03-14 07:00:00,500\n2026-03-14 07:00:01,500\n", encoding="utf-8")
    before = {file: file.read_bytes() for file in folder.iterdir()}
    for words in (
        ("review", folder, "--json", folder / "readings.csv"),
        ("review", folder, "--json", folder / "link"),
        ("review", folder, "--csv", folder / "journal.csv"),
        ("review", folder / "readings.csv", "--job", folder / "job.toml", "--json", folder / "job.toml"),
        ("review", folder, "--json", folder / "same", "--csv", folder / "same"),
        ("ledger", folder, "--csv", folder / "readings.csv"),
        ("columns", foreign, "--output", foreign),
    ):
        code, _, errors = run(*words)
        assert (code, errors.count("\n")) == (2, 1), words
        assert "expected another file" in errors or "expected a job.toml" in errors
    assert {file: file.read_bytes() for file in folder.iterdir()} == before


def test_a_device_is_written_to_and_never_replaced(tmp_path: Path) -> None:
    job(tmp_path, HEAD)
    (tmp_path / "readings.csv").write_text("time,vacuum [micron]\n2026-03-14T07:05:31.000Z,500\n", encoding="utf-8")
    code, out, _ = run_process("review", tmp_path, "--json", "/dev/stdout")
    assert code == 0
    assert json.loads(out)["log"]["rows"] == 1
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    with subprocess.Popen(["cat", str(pipe)], stdout=subprocess.PIPE, text=True) as reader:
        assert run("review", tmp_path, "--json", pipe)[0] == 0
        said, _ = reader.communicate(timeout=PATIENCE_S)
    assert json.loads(said)["log"]["rows"] == 1
    assert pipe.is_fifo()


def test_the_report_is_made_whoever_stops_reading_and_the_summary_told_where_none_can_be(tmp_path: Path) -> None:
    job(tmp_path, HEAD)
    (tmp_path / "readings.csv").write_text("time,vacuum [micron]\n2026-03-14T07:05:31.000Z,500\n", encoding="utf-8")
    read_end, write_end = os.pipe()
    os.close(read_end)
    with os.fdopen(write_end, "wb") as nobody:
        command = [sys.executable, "-m", "collector.cli", "review", str(tmp_path)]
        done = subprocess.run(
            command, stdout=nobody, stderr=subprocess.PIPE, text=True, timeout=PATIENCE_S, check=False
        )
    assert done.stderr == ""
    assert (tmp_path / "report.html").exists()
    (tmp_path / "report.html").unlink()
    (tmp_path / "report.html").mkdir()
    code, out, errors = run("review", tmp_path)
    assert code == 2
    assert "nothing was judged" in out
    assert errors.count("\n") == 1


def test_every_argument_of_every_command_is_explained() -> None:
    for command in app:
        if command.startswith("-"):
            continue
        arguments = app[command].assemble_argument_collection(parse_docstring=True)
        assert [a.name for a in arguments if not a.parameter.help] == [], command


def test_the_ledger_of_the_sample_job_is_shown_and_written(tmp_path: Path) -> None:
    sample = Path(__file__).parents[2] / "sample_logs" / "full-job"
    history = tmp_path / "history.csv"
    history.write_text("date,added [lb],charge [lb]\n2025-09-01,20,291\n", encoding="utf-8")
    assert run("ledger", sample, "--history", history, "--csv", tmp_path / "record.csv")[0] == 0
    record = (tmp_path / "record.csv").read_text(encoding="utf-8")
    assert "Recovered," in record
    assert "Leak rate, rolling average" in record
    history.write_text("date,added [lb]\nyesterday,20\n", encoding="utf-8")
    code, _, errors = run("ledger", sample, "--history", history)
    assert code == 2
    assert f"{history} line 2: 'yesterday'" in errors
    history.write_text(f"date,added [lb]\n2025-09-01,{'2' * 200_000}\n", encoding="utf-8")  # longer than a cell may be
    for unread in (history, tmp_path / "none.csv"):
        code, _, errors = run("ledger", sample, "--history", unread)
        assert code == 2
        assert errors.count("\n") == 1


def test_the_safe_fill_of_a_cylinder_is_told_with_its_sources() -> None:
    """AHRI Guideline K: R-410A at a water capacity of 50 lb; liquid-full at 60 degC binds, 40.8 lb."""
    code, out, _ = run("cylinder", "--refrigerant", "r410a", "--water-capacity", "50 lb")
    assert code == 0
    assert "40.8" in out
    code, _, errors = run("cylinder", "--refrigerant", "r410a", "--water-capacity", "0 lb")
    assert code == 2
    assert errors.count("\n") == 1


def test_a_review_for_its_numbers_alone_loads_nothing_that_draws_or_spreads_work(tmp_path: Path) -> None:
    job(tmp_path, HEAD)
    (tmp_path / "readings.csv").write_text("time,vacuum [micron]\n2026-03-14T07:05:31.000Z,500\n", encoding="utf-8")
    code = (
        "import sys; from pathlib import Path; from collector.commands.review import run_review;"
        f"run_review(Path({str(tmp_path)!r}), json_file=Path({str(tmp_path / 'found.json')!r}));"
        "print(sorted({'matplotlib', 'CoolProp', 'joblib', 'distributed', 'jinja2', 'nicegui', 'reportlab'}"
        " & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=PATIENCE_S, check=True)
    assert done.stdout.strip() == "[]"
    assert json.loads((tmp_path / "found.json").read_text(encoding="utf-8"))["log"]["rows"] == 1


def test_an_interruption_is_one_line(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    def interrupted(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("collector.commands.review.run_review", interrupted)
    assert run("review", tmp_path) == (130, "", "standwatch: interrupted\n")


def test_a_pipe_that_breaks_inside_is_a_fault_and_no_reader_that_left(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    def broken(*_: object, **__: object) -> None:
        raise BrokenPipeError(32, "Broken pipe")

    monkeypatch.setattr("collector.commands.demo.run_demo", broken)
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    with pytest.raises(SystemExit) as ended:
        main(["demo"])
    assert ended.value.code == 1
    assert "something went wrong inside (BrokenPipeError)" in capsys.readouterr().err


def test_a_quantity_below_zero_is_a_value_and_no_option() -> None:
    code, out, _ = run("cylinder", "R-134a", "--water-capacity", "50 lb", "--temperature", "-10 degF")
    assert code == 0
    assert "At -10.0 degF" in out
    code, _, errors = run("cylinder", "R-134a", "--water-capacity", "-5 lb")
    assert code == 2
    assert "'-5 lb' is not accepted; expected a mass above 0" in errors
    code, _, errors = run("cylinder", "R-134a", "--water-capacity", "27.2 L")
    assert code == 2
    assert "as many kg as it has litres" in errors
