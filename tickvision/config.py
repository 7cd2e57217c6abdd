"""What the user says: TOML read into typed models. One owner of each default; all faults in one message.

Relative paths in a file are relative to that file, those given with --set to the current folder.
"""

from __future__ import annotations

import json
import tomllib
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Annotated, Any, Literal, TypeGuard

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator
from pydantic_core import ErrorDetails

from tickvision.errors import ConfigError, did_you_mean

Share = Annotated[float, Field(gt=0, lt=1)]


class _Model(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, validate_default=True)


class DataConfig(_Model):
    """Where photographs and labels are."""

    source: Literal["csv", "folder", "dwca"] = Field(
        "csv", description="csv: a table of labels; folder: names in the paths; dwca: a Darwin Core archive (.zip too)"
    )
    path: Path = Field(description="the CSV file, the top folder, or the archive (zip or folder with meta.xml)")
    photographs: Path | None = Field(
        None, description="folder that file names are relative to; the CSV's own if absent"
    )
    columns: dict[str, str] = Field({}, description="our column = your column, where the names differ")
    defaults: dict[str, str] = Field({}, description="our column = value for records that leave it blank")
    mapping: Path | None = Field(None, description="TOML file with header patterns, words and defaults of the source")
    pattern: str = Field("{scientific_name}/{photo}", description="folders only: what the parts of a path mean")
    photo_is_specimen: bool = Field(False, description="true: each photograph is a specimen of its own")
    licences: tuple[str, ...] = Field(
        ("CC0-1.0", "CC-PDM-1.0", "CC-BY"), description="SPDX ids or families that may train; 'any' for own photographs"
    )
    near_duplicates: bool = Field(True, description="look for one picture under two names; off for tiny plain pictures")
    regions: Path | None = Field(None, description="CSV of boxes drawn with check --regions: photo_id, region")
    fetch: bool = Field(False, description="bring photographs that the source names by URL (import --fetch)")
    fetch_wait_s: float = Field(1.0, ge=0, le=600, description="pause between two requests, seconds")
    fetch_max_mb: float = Field(50.0, gt=0, le=256, description="larger files are not brought")
    fetch_own_network: bool = Field(False, description="also from addresses of this machine and its local network")


class TaxonomyConfig(_Model):
    """Which names can be answered."""

    kind: Literal["ticks", "flat", "table"] = Field("ticks", description="ticks: rules and caps bind; flat: as found")
    taxa: tuple[str, ...] = Field((), description="ticks: the species to tell apart; empty: those found in the labels")
    table: Path | None = Field(None, description="table: CSV with name, rank, parent")
    stages: dict[str, tuple[str, ...]] = Field({}, description="table: stage = [its sexes]")
    non_target: str = Field("", description="label of pictures that hold no subject, e.g. 'not a tick'")

    @model_validator(mode="after")
    def _table_is_named(self) -> TaxonomyConfig:
        if self.kind == "table" and self.table is None:
            raise ValueError("kind = 'table' needs taxonomy.table, a CSV with name, rank, parent")
        return self


class PictureConfig(_Model):
    """How a picture is prepared."""

    size_px: int = Field(224, ge=32, le=1024, description="side of the square that the network sees")
    fit: Literal["pad", "stretch", "crop"] = Field("pad", description="how a picture becomes square")


class SplitConfig(_Model):
    """Shares of the specimen groups."""

    train: Share = 0.5
    val: Share = 0.1
    calibration: Share = 0.2
    test: Share = 0.2
    hold_out: dict[str, tuple[str, ...]] = Field(
        {}, description="one column = the values that make up the test part, e.g. { device = ['microscope'] }"
    )
    folds: int = Field(0, ge=0, le=50, description="deal k folds, of which one is the test part; 0: one split")
    fold: int = Field(1, ge=1, description="which of the folds is the test part")
    file: Path | None = Field(None, description="a split of your own: CSV with photo_id, part; refused if it leaks")

    @model_validator(mode="after")
    def _sums_to_one(self) -> SplitConfig:
        total = self.train + self.val + self.calibration + self.test
        if abs(total - 1) > 1e-6:
            raise ValueError(f"train + val + calibration + test is {total:g}, it must be 1")
        ways = [k for k in ("hold_out", "folds", "file") if getattr(self, k)]
        if len(ways) > 1:
            raise ValueError(f"{' and '.join(ways)} exclude each other; keep one")
        if len(self.hold_out) > 1:
            raise ValueError(f"hold_out names {len(self.hold_out)} columns; hold out by one")
        if self.folds and not (self.folds >= 2 and self.fold <= self.folds):
            raise ValueError(f"folds = {self.folds} with fold = {self.fold}: at least 2 folds, fold from 1 to folds")
        return self


class TrainConfig(_Model):
    """The network and how it is trained."""

    backbone: str = Field(
        "tf_efficientnet_lite0", description="a timm model name, or torchvision/NAME such as torchvision/resnet18"
    )
    weights: str = Field(
        "embedded",
        description="embedded (ImageNet, lite0 only), none, a path to a .safetensors file, 'download' (the usual ones) "
        "or 'torchvision:NAME' such as torchvision:ResNet50_Weights.IMAGENET1K_V2; the last two use the network",
    )
    epochs: int = Field(12, ge=0, le=1000, description="0 keeps the heads fitted on frozen features")
    patience_epochs: int = Field(4, ge=1, description="stop after so many epochs without a better val score")
    warmup_epochs: float = Field(0.3, ge=0)
    small_first: float = Field(
        0.0, ge=0, le=1, description="share of the epochs, the first, on pictures of 0.7 of the size: half the time"
    )
    folds: int = Field(
        0, ge=0, le=20, description="k: k networks, each taught without another k-th, that answer as one"
    )
    batch_size: int = Field(32, ge=2, le=65536, description="of one step, over all processes together")
    frozen_stages: int = Field(2, ge=0, description="first stages of the backbone that keep their pretrained weights")
    unfreeze_epochs: float = Field(0.0, ge=0, description="from the last stage back, one more learns each so many")
    backbone_learning_rate: float = Field(7e-4, gt=0)
    head_learning_rate: float = Field(1e-3, gt=0)
    layer_decay: float = Field(1.0, gt=0, le=1, description="each stage further from the heads learns so much slower")
    weight_decay: float = Field(0.02, ge=0)
    ema_decay: float = Field(0.95, ge=0, lt=1, description="of the running average of the weights, which is kept")
    long_tail: Literal["logit_adjustment", "class_weights", "effective_number", "square_root_sampling", "none"] = Field(
        "logit_adjustment", description="how rare classes are made to count"
    )
    logit_adjustment: float = Field(1.0, ge=0, le=2, description="its strength; 1 = balanced error (Menon 2021)")
    label_smoothing: float = Field(0.0, ge=0, lt=1, description="hurts calibration, hence 0")
    mix: Literal["none", "mixup", "cutmix"] = Field("none", description="pictures of a batch blended in pairs")
    mix_alpha: float = Field(0.3, gt=0, description="both parameters of the Beta law of the blend")
    augment: bool = True
    augment_with: Literal["auto", "albumentations", "torch"] = Field("auto", description="auto: torch on a GPU only")
    attributes: tuple[str, ...] = Field((), description="columns with heads of their own, e.g. ['feeding', 'view']")
    attribute_weight: float = Field(0.2, gt=0, description="of such a head's loss beside that of the name")
    workers: int = Field(2, ge=0, le=64, description="threads that decode and augment")
    device: Literal["auto", "cpu", "cuda"] = Field("auto", description="auto: a CUDA card if there is one")
    precision: Literal["auto", "float32", "bfloat16"] = Field("auto", description="auto: bfloat16 on a GPU only")
    compile: Literal["auto", "always", "never"] = Field("auto", description="auto: on a GPU, for long trainings")
    tensorboard: bool = Field(False, description="also write TensorBoard files")

    @property
    def balances(self) -> bool:
        """True if rare classes are made to count more than they come."""
        return self.long_tail != "none" and (self.long_tail != "logit_adjustment" or self.logit_adjustment > 0)


class DecideConfig(_Model):
    """How sure is sure enough."""

    max_error: Share = Field(0.05, description="largest share of wrong names among the names given")
    failure_rate: Share = Field(0.05, description="share of calibrations in which the promise may fail")
    min_confidence: float | None = Field(None, gt=0, lt=1, description="plain threshold by hand: no promise")
    shortlist_miss: Share = Field(0.1, description="share of shortlists that may miss the true name")
    novelty_loss: Share = Field(0.05, description="share of good specimens one accepts to refer as novel")
    rung_max_error: dict[str, Share] = Field({}, description="rung = its own target, e.g. genus = 0.02")
    costly: tuple[str, ...] = Field((), description="names whose miss costs most, e.g. ['Ixodes']")
    costly_max_error: Share | None = Field(None, description="of those named as something else, at most this share")
    expected: Path | None = Field(
        None, description="CSV with place, month, scientific_name, specimens: what comes in there; certified anew on it"
    )
    expected_place: str = Field("", description="rows of this place (and those without one); blank = all")
    expected_month: int = Field(0, ge=0, le=12, description="rows of this month (and those without one); 0 = all")


class PackageConfig(_Model):
    """What the model package holds by choice."""

    precision: Literal["fp32", "fp16", "int8"] = Field(
        "fp32", description="a smaller network; kept only if it answers as the full one on val"
    )
    neighbours: int = Field(
        0, ge=0, le=100_000, description="so many training photographs, those that may be shared, for predict --explain"
    )


class BenchConfig(_Model):
    """Who answers when the program refers."""

    name: str = "this bench"
    contact: str = Field("the bench's human identifier", description="shown with every referral")
    drawn: bool = Field(False, description="true marks every output: from drawn specimens")


class ReviewConfig(_Model):
    """How the identifier's desk works."""

    audit_share: float = Field(0.15, ge=0.05, le=1, description="of what comes in, drawn at random; 0.10-0.20 advised")
    second_share: float = Field(0.1, ge=0, le=1, description="of the cases, read by two; 0.05-0.10 is common practice")
    costly: tuple[str, ...] = Field((), description="names always read by two; empty: decide.costly, else Ixodes")
    rare: tuple[str, ...] = Field((), description="further names always read by two")
    lock_minutes: float = Field(10, gt=0, description="how long an open case stays with its reader")
    false_alarm: Share = Field(0.05, description="chance of an alarm in a season that keeps the promise")


class Config(_Model):
    """A whole job."""

    name: str = Field(description="short name of the job, part of the package's id")
    output: Path = Field(description="work folder; everything that is made lies here")
    seed: int = Field(0, ge=0)
    bench: BenchConfig = BenchConfig()
    data: DataConfig
    taxonomy: TaxonomyConfig = TaxonomyConfig()
    picture: PictureConfig = PictureConfig()
    split: SplitConfig = SplitConfig()
    train: TrainConfig = TrainConfig()
    decide: DecideConfig = DecideConfig()
    package: PackageConfig = PackageConfig()
    review: ReviewConfig = ReviewConfig()


def load(path: Path, settings: Sequence[str] = ()) -> Config:
    """Return the config of a TOML file with `a.b=value` settings laid over it.

    Raises ConfigError with every fault at once: unknown keys with the nearest name, wrong types, bad ranges.
    """
    raw = _read(path)
    _anchor(raw, path.resolve().parent)
    for setting in settings:
        _lay_over(raw, setting)
    try:
        return Config.model_validate(raw)
    except ValidationError as error:
        faults = [_explain(detail, raw) for detail in error.errors()]
        raise ConfigError("\n".join([f"{path}: {len(faults)} fault(s)", *faults])) from None


def _read(path: Path) -> dict[str, Any]:
    try:
        return tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except FileNotFoundError:
        near = did_you_mean(path.name, (p.name for p in path.parent.glob("*.toml"))) if path.parent.is_dir() else ""
        raise ConfigError(f"{path}: no such config file.{near}") from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError, RecursionError) as error:
        raise ConfigError(f"{path}: not valid TOML: {error}") from None
    except OSError as error:
        raise ConfigError(f"{path}: cannot be read: {error.strerror}") from None


def _path_keys(model: type[BaseModel], above: tuple[str, ...] = ()) -> Iterator[tuple[str, ...]]:
    """Yield the keys that hold a path, such as ("data", "path")."""
    for name, field in model.model_fields.items():
        if field.annotation in (Path, Path | None):
            yield (*above, name)
        elif isinstance(field.annotation, type) and issubclass(field.annotation, BaseModel):
            yield from _path_keys(field.annotation, (*above, name))


PATH_KEYS = tuple(_path_keys(Config))
WEIGHTS = ("train", "weights")  # a path or a word


def _is_path(keys: tuple[str, ...], value: object) -> TypeGuard[str]:
    return isinstance(value, str) and (keys in PATH_KEYS or (keys == WEIGHTS and value.endswith(".safetensors")))


def _anchor(raw: dict[str, Any], folder: Path) -> None:
    """Make the file's relative paths absolute, relative to the file's folder."""
    for keys in (*PATH_KEYS, WEIGHTS):
        holder: Any = raw
        for key in keys[:-1]:
            holder = holder.get(key, {}) if isinstance(holder, dict) else {}
        if isinstance(holder, dict) and _is_path(keys, holder.get(keys[-1])):
            holder[keys[-1]] = _absolute(folder, holder[keys[-1]], ".".join(keys))


def _absolute(folder: Path, written: str, key: str) -> str:
    try:
        return str((folder / written).resolve())
    except (ValueError, OSError, RuntimeError) as error:
        raise ConfigError(f"{key}: {written!r} is no path ({error}).") from None


def _lay_over(raw: dict[str, Any], setting: str) -> None:
    key, sign, text = setting.partition("=")
    parts = tuple(key.strip().split("."))
    if not sign or not all(parts):
        raise ConfigError(f"--set {setting}: expected key=value, such as --set train.epochs=3")
    try:
        value = tomllib.loads(f"value = {text}")["value"]
    except tomllib.TOMLDecodeError:
        value = text  # a bare word is a string
    if _is_path(parts, value):
        value = _absolute(Path(), value, key)
    holder = raw
    for part in parts[:-1]:
        holder = holder.setdefault(part, {})
        if not isinstance(holder, dict):
            raise ConfigError(f"--set {setting}: '{part}' is a value, not a section")
    holder[parts[-1]] = value


def _explain(detail: ErrorDetails, raw: dict[str, Any]) -> str:
    where = ".".join(str(p) for p in detail["loc"])
    if detail["type"] == "extra_forbidden":
        known = _known_keys(detail["loc"][:-1])
        return f"  {where}: unknown key.{did_you_mean(str(detail['loc'][-1]), known)} Known here: {', '.join(known)}"
    if detail["type"] == "missing":
        return f"  {where}: missing; this key is required"
    message = detail["msg"].removeprefix("Value error, ")
    given = detail.get("input")
    shown = f", found {given!r}" if isinstance(given, str | int | float | bool) else ""
    return f"  {where}: {message}{shown}"


def _known_keys(loc: tuple[int | str, ...]) -> list[str]:
    model: Any = Config
    for part in loc:
        model = model.model_fields[str(part)].annotation
    return list(model.model_fields)


def to_toml(config: Config) -> str:
    """Return the resolved config as TOML text that `load` reads back to an equal config."""
    form = config.model_dump(mode="json", exclude_none=True)
    top = [f"{k} = {_toml(v)}" for k, v in form.items() if not isinstance(v, dict)]
    for section, values in form.items():
        if isinstance(values, dict):
            top += ["", f"[{section}]"] + [f"{k} = {_toml(v)}" for k, v in values.items()]
    return "\n".join(top) + "\n"


def _toml(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int | float):
        return repr(value)
    if isinstance(value, list):
        return "[" + ", ".join(_toml(v) for v in value) + "]"
    if isinstance(value, dict):
        return "{" + ", ".join(f"{_quoted(k)} = {_toml(v)}" for k, v in value.items()) + "}"
    return _quoted(str(value))


def _quoted(text: str) -> str:
    """JSON's escapes are TOML's; TOML wants DEL escaped too."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")
