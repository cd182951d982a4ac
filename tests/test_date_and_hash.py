"""Predictions carry the date on which they were made and a hash of what determines them."""

import json
import re
from dataclasses import replace
from datetime import UTC, datetime

import pytest
from click.testing import CliRunner
from helpers import fake_engine, fake_prediction
from mills import config

from millsim.commands.main import cli
from millsim.errors import InputError
from millsim.forecast.run import predict
from millsim.record import export, read, write
from millsim.record.date import now_utc
from millsim.record.identity import forecast_sha256
from millsim.show.report.content import report
from millsim.show.words import prediction as words

DAY = "2025-03-08T17:42:05Z"
SLIM = ("run.band_samples=0", "run.trace=false")


def demo(*changes, **more):
    return predict(config("demo", *SLIM, *changes), engine="balance", seed=1, **more)


def test_the_date_is_the_clock_s_in_utc(monkeypatch):
    monkeypatch.delenv("SOURCE_DATE_EPOCH")
    before = datetime.now(UTC).replace(microsecond=0)
    made = datetime.strptime(now_utc(), "%Y-%m-%dT%H:%M:%S%z")
    assert before <= made <= datetime.now(UTC)


@pytest.mark.parametrize(("epoch", "date"), [("0", "1970-01-01T00:00:00Z"), ("1741455725", DAY)])
def test_an_epoch_stands_in_for_the_clock(monkeypatch, epoch, date):
    monkeypatch.setenv("SOURCE_DATE_EPOCH", epoch)
    assert now_utc() == date


@pytest.mark.parametrize("bad", ["yesterday", "1e9", "99999999999999999"])
def test_an_epoch_that_is_no_date_is_one_sentence(monkeypatch, bad):
    monkeypatch.setenv("SOURCE_DATE_EPOCH", bad)
    with pytest.raises(InputError, match=f"'{bad}' is no date") as told:
        now_utc()
    assert "whole seconds since 1970" in str(told.value)


def test_the_same_forecast_on_another_day_differs_in_its_date_alone(monkeypatch):
    first = demo()
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "0")
    later = demo()
    assert (first.date, later.date) == (DAY, "1970-01-01T00:00:00Z")
    assert forecast_sha256(first) == forecast_sha256(later)
    assert write.to_bytes(replace(later, date=first.date)) == write.to_bytes(first) != write.to_bytes(later)


def test_the_hash_knows_what_determines_the_forecast_and_nothing_else():
    p = demo()
    same = forecast_sha256(p)
    assert re.fullmatch("[0-9a-f]{64}", same)
    assert forecast_sha256(demo(command="millsim predict x")) == same
    assert forecast_sha256(replace(p, version="99", date="")) == same
    narrower = (replace(p.parameters[0], high=p.parameters[0].value), *p.parameters[1:])
    others = (
        demo('stator.gap="3.1 mm"'), replace(p, seed=2), replace(p, model_version="1"),
        replace(p, parameters=narrower), replace(p, other=fake_engine("montecarlo")),
    )  # fmt: skip
    assert len({same, *map(forecast_sha256, others)}) == 6


def test_the_file_keeps_the_date_and_an_old_file_opens_without(tmp_path):
    write.write(fake_prediction(date=DAY), tmp_path / "new.h5")
    assert read.read(tmp_path / "new.h5").date == DAY
    write.write(fake_prediction(), tmp_path / "old.h5")  # as written before there were dates
    old = read.read(tmp_path / "old.h5")
    assert old.date == ""
    assert "date unknown" in words.to_text(old)
    assert words.to_json(old)["date"] is None


def test_text_json_report_and_tables_say_date_and_hash():
    p = fake_prediction(date=DAY)
    digest = forecast_sha256(p)
    assert f"forecast {digest[:12]}, {DAY}" in words.to_text(p)
    told = words.to_json(p)
    assert (told["forecast_sha256"], told["date"]) == (digest, DAY)
    assert f"forecast {digest[:12]}, {DAY}" in str(report(p))
    assert ["date", DAY] in export._run(p)
    assert "date unknown" in str(report(fake_prediction()))


def test_the_command_line_stores_the_date(tmp_path, monkeypatch):
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "1741455725")
    path = tmp_path / "x.h5"
    args = ["predict", str(config("demo").path), "--engine", "balance", "--out", str(path), "--json"]
    result = CliRunner().invoke(cli, [*args, *(w for s in SLIM for w in ("--set", s))])
    assert result.exit_code == 0, result.output
    told = json.loads(result.stdout)
    assert told["date"] == read.read(path).date == DAY
    assert told["forecast_sha256"] == forecast_sha256(read.read(path))
