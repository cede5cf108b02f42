import io
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image

from panopipe.capture import Capture
from panopipe.colour.spaces import WORKING_FROM_SRGB
from panopipe.colour.transfer import srgb_decode, srgb_encode
from panopipe.frame import Band, Frame, FrameFacts, FrameKey
from panopipe.registry import loaded_stage
from panopipe.sphere.reduce import AreaReducer
from panopipe.stage import Rights, StageContext
from panopipe.stages import export as stage_file
from panopipe.stages.export import Export, ExportSettings
from tests.makers.dng import write_linear_dng

Outputs = dict[str, bytes]


def exported(
    rows: np.ndarray,
    settings: ExportSettings | None = None,
    *,
    anchor: int = 0,
    cut: int = 32,
    **facts: object,
) -> Outputs:
    """Send whole anchored rows through the stage, `cut` at a time."""
    height, width = rows.shape[:2]
    known = FrameFacts(FrameKey("room", "frame"), width, height, anchor, **facts)  # type: ignore[arg-type]
    reducer = AreaReducer(width, height, min(width, 128))
    reducer.take(rows, 0)
    look = StageContext(Frame(reducer.result(), known))
    sink = Export().start(look, settings or ExportSettings(), Rights())
    for first in range(0, height, cut):
        sink.take(Band(rows[first : first + cut].copy(), first, known))
    return {output.suffix: bytes(output.data) for output in sink.finish()}


def pixels(data: bytes) -> np.ndarray:
    decoded = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR)
    return decoded[..., ::-1].astype(np.int16)


def scene(width: int = 512) -> np.ndarray:
    """Smooth light with some of it outside sRGB and above white."""
    noise = np.random.default_rng(1).random((width // 16, width // 8, 3), dtype=np.float32)
    return cv2.resize(noise, (width, width // 2), interpolation=cv2.INTER_CUBIC) * 1.5 - 0.1


@pytest.fixture
def codes_taken(monkeypatch: pytest.MonkeyPatch) -> list[np.ndarray]:
    """The 8-bit rows that reach the JPEG coder, in the file's columns, red first."""
    taken: list[np.ndarray] = []
    code = stage_file.SrgbCoder.code

    def watch(self: stage_file.SrgbCoder, *rows: object, out: np.ndarray, turn: int) -> None:
        code(self, *rows, out=out, turn=turn)  # type: ignore[arg-type]
        taken.append(out[..., ::-1].copy())

    monkeypatch.setattr(stage_file.SrgbCoder, "code", watch)
    return taken


@pytest.mark.parametrize("chroma", ["4:4:4", "4:2:0"])
def test_same_bytes_for_every_banding(chroma: str) -> None:
    settings = ExportSettings(chroma=chroma, widths=(0, 200))
    whole = exported(scene(), settings, anchor=77, cut=256)
    for cut in (1, 5, 8, 32):
        assert exported(scene(), settings, anchor=77, cut=cut) == whole


def test_a_turned_frame_gives_the_turned_codes(codes_taken: list[np.ndarray]) -> None:
    """Decode hands both over as the same array with another anchor: grain and all turn along."""
    exported(scene(), anchor=0)
    straight = np.concatenate(codes_taken)
    for anchor in (1, 255, 511):
        codes_taken.clear()
        exported(scene(), anchor=anchor)
        assert np.array_equal(np.concatenate(codes_taken), np.roll(straight, anchor, axis=1))


def test_a_turned_file_is_coded_turned(codes_taken: list[np.ndarray], tmp_path: Path) -> None:
    """From one DNG to the coder and from the same one turned by 201 pixels: the very same codes."""
    samples = (np.clip(scene(256) * 0.8, 0, 1) * 65535).astype(np.uint16)
    found = []
    for turn in (0, 201):
        path = write_linear_dng(tmp_path / f"{turn}.dng", np.roll(samples, turn, axis=1))
        codes_taken.clear()
        with (decode := loaded_stage("decode")).open([path], FrameKey("", "x"), decode.Settings()) as opened:
            look = StageContext(Frame(opened.reduced(1024), opened.facts))
            sink = Export().start(look, ExportSettings(), Rights())
            for first in range(0, 128, 16):
                sink.take(Band(opened.read(first, first + 16), first, opened.facts))
            sink.finish()
        found.append(np.concatenate(codes_taken))
    assert np.array_equal(found[1], np.roll(found[0], 201, axis=1))


def test_a_smaller_picture_turns_by_whole_pixels_of_its_own(codes_taken: list[np.ndarray]) -> None:
    settings = ExportSettings(widths=(128,))
    exported(scene(), settings, anchor=0)
    straight = np.concatenate(codes_taken)
    codes_taken.clear()
    exported(scene(), settings, anchor=4 * 31)
    assert np.array_equal(np.concatenate(codes_taken), np.roll(straight, 31, axis=1))


def test_the_picture_is_the_light() -> None:
    """Mid-grey and coloured fields come back to within the coder's rounding."""
    fields = np.array([[0.18, 0.18, 0.18], [0.5, 0.3, 0.1], [0.05, 0.1, 0.4], [0.9, 0.85, 0.8]])
    srgb = np.repeat(np.repeat(fields[None], 32, axis=0), 16, axis=1)
    light = (srgb @ WORKING_FROM_SRGB.T).astype(np.float32)
    found = pixels(exported(light, ExportSettings(quality=100))[".jpg"])
    middle = found.reshape(32, 4, 16, 3)[8:24, :, 4:12].mean(axis=(0, 2))
    assert np.abs(middle - srgb_encode(fields) * 255).max() < 1


def test_widths() -> None:
    stage, settings = Export(), ExportSettings(widths=(256, 128, 1024, 700))
    assert stage.outputs(settings) == (".jpg", "-128.jpg", "-1024.jpg", "-700.jpg")
    files = exported(scene(), settings)
    assert tuple(files) == stage.outputs(settings)
    sizes = [Image.open(io.BytesIO(data)).size for data in files.values()]
    assert sizes == [(256, 128), (128, 64), (1024, 512), (700, 350)]
    facts = FrameFacts(FrameKey("room", "frame"), 512, 256)
    assert stage.remark(facts, ExportSettings(widths=(0, 512))) == ""
    assert (
        stage.remark(facts, ExportSettings(widths=(768, 256)))
        == "width 768 is 1.5 times the frame's 512 px: enlarged, it holds no more detail than the file"
    )


def test_a_width_above_twice_the_frames_is_refused_in_one_line() -> None:
    wide, said = (
        ExportSettings(widths=(1026,)),
        "widths: 1026 is more than twice the frame's 512 px; take 1024 at most",
    )
    with pytest.raises(ValueError, match=said):
        exported(scene(), wide)
    assert Export().remark(FrameFacts(FrameKey("room", "frame"), 512, 256), wide) == said
    proof = exported(scene(), wide, proof=True)  # shows settings at the size it has
    assert Image.open(io.BytesIO(proof[".jpg"])).size == (512, 256)


@pytest.mark.parametrize("width", [768, 1024])
def test_an_enlarged_picture_is_the_same_however_cut_and_turned(
    codes_taken: list[np.ndarray], width: int
) -> None:
    rows, settings, found = scene(), ExportSettings(widths=(width,)), []
    for anchor, cut in ((0, 32), (0, 256), (2 * 60, 8)):
        codes_taken.clear()
        exported(rows, settings, anchor=anchor, cut=cut)
        found.append(np.concatenate(codes_taken))
    assert np.array_equal(found[1], found[0])
    assert np.array_equal(found[2], np.roll(found[0], 120 * width // 512, axis=1))


def test_an_enlarged_picture_lies_where_the_frame_lies(codes_taken: list[np.ndarray]) -> None:
    """Reduced again, smooth light is the frame: no shift, no other tone."""
    rows, own = 0.3 + 0.1 * scene(), ExportSettings(dither=False)
    exported(rows, own, anchor=100)
    plain = np.concatenate(codes_taken).astype(np.float64)
    codes_taken.clear()
    exported(rows, ExportSettings(dither=False, widths=(1024,)), anchor=100)
    large = np.concatenate(codes_taken).astype(np.float64)
    halved = large.reshape(256, 2, 512, 2, 3).mean(axis=(1, 3))
    off = np.abs(halved - plain).mean()
    assert off < 0.35  # rounding of five codes: 1/4 for one, half of that for a mean of four
    for shifted in (np.roll(halved, 1, axis=1), np.roll(halved, 1, axis=0)):
        assert np.abs(shifted - plain).mean() > 2 * off


def test_resizing_happens_in_light_not_in_codes() -> None:
    """A chequer of black and white is half the light: code 188, not 128."""
    rows = np.zeros((128, 256, 3), np.float32)
    rows[::2, ::2] = rows[1::2, 1::2] = 1
    small = pixels(exported(rows, ExportSettings(widths=(128,)))[".jpg"])
    assert abs(small.mean() - 255 * srgb_encode(0.5)) < 1


@pytest.mark.parametrize(("widths", "why"), [((4095,), "4095"), ((512, 512), "twice"), ((2,), "2 cannot be")])
def test_widths_that_cannot_be_are_refused_beforehand(widths: tuple[int, ...], why: str) -> None:
    with pytest.raises(ValueError, match=why):
        Export().outputs(ExportSettings(widths=widths))


def test_a_frame_too_wide_for_a_jpeg_is_said() -> None:
    facts = FrameFacts(FrameKey("", "huge"), 70000, 35000)
    look = StageContext(Frame(np.zeros((64, 128, 3), np.float32), facts))
    with pytest.raises(ValueError, match="70000x35000 does not fit"):
        Export().start(look, ExportSettings(), Rights())
    Export().start(look, ExportSettings(widths=(8192,)), Rights())


def test_light_within_white_is_left_alone(codes_taken: list[np.ndarray]) -> None:
    rows = np.linspace(0, 1, 512, dtype=np.float32)[None, :, None] * np.ones((256, 1, 3), np.float32)
    exported(rows)
    mean = np.concatenate(codes_taken).mean(axis=(0, 2))
    assert np.abs(mean - 255 * srgb_encode(rows[0, :, 0]))[1:].max() < 0.2


def test_light_above_white_keeps_its_drawing(codes_taken: list[np.ndarray]) -> None:
    """A tenth of the sphere from 1 to 3 times white: rising codes, where clipping would show one flat 255."""
    rows = np.full((256, 512, 3), 0.3, np.float32)
    rows[:, :60] = np.linspace(1, 3, 60)[None, :, None]
    exported(rows)
    mean = np.concatenate(codes_taken).mean(axis=(0, 2))
    assert np.all(np.diff(mean[:60:6]) > 0.1)
    assert abs(mean[300] - 255 * srgb_encode(0.3)) < 0.2


def test_a_glint_does_not_bend_the_whites(codes_taken: list[np.ndarray]) -> None:
    rows = np.full((256, 512, 3), 0.95, np.float32)
    rows[120:122, 100:104] = 50
    exported(rows)
    codes = np.concatenate(codes_taken)
    assert np.all(codes[121, 101:103] == 255)
    assert abs(codes[0].mean() - 255 * srgb_encode(0.95)) < 0.2


def test_smooth_ceiling_decodes_without_bands() -> None:
    """Written by default and read back: the mean does not follow the light's place between two codes."""
    level = np.linspace(150, 162, 1024)
    rows = np.repeat(srgb_decode(level / 255)[None, :, None], 512, axis=0) * np.ones(3)
    error = pixels(exported(rows.astype(np.float32))[".jpg"]).mean(axis=(0, 2)) - level
    place = np.digitize(level % 1, np.linspace(0, 1, 9)) - 1
    means = [error[16:-16][place[16:-16] == part].mean() for part in range(8)]
    assert np.ptp(means) < 1 / 16  # at 8 times contrast half a code


def test_without_dither_codes_are_rounded(codes_taken: list[np.ndarray]) -> None:
    level = np.linspace(100, 103, 512)
    rows = np.repeat(srgb_decode(level / 255)[None, :, None], 256, axis=0) * np.ones(3)
    exported(rows.astype(np.float32), ExportSettings(dither=False))
    codes = np.concatenate(codes_taken)
    assert np.all(codes == codes[:1, :, :1])
    assert np.abs(codes[0, :, 0] - level).max() < 0.5 + 0.03  # the curve is read at 65,536 points


def test_position_stays_out_unless_asked_for() -> None:
    capture = Capture(gps={1: "N", 2: (50.0, 3.0, 12.0)})
    private = exported(scene(), capture=capture)[".jpg"]
    asked = exported(scene(), ExportSettings(keep_position=True), capture=capture)[".jpg"]
    assert not Image.open(io.BytesIO(private)).getexif().get_ifd(34853)
    assert Image.open(io.BytesIO(asked)).getexif().get_ifd(34853)[1] == "N"
