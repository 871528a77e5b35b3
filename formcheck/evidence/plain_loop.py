"""The yardstick: what a script does that looks at a clip frame by frame with plain library calls.

OpenCV reads, MediaPipe looks at each frame, OpenCV draws and writes, one after the other in one
thread. Nothing else of formcheck is used, so that a comparison with it includes all of ours. It
names OpenCV and MediaPipe itself, unlike any other module, since it stands for foreign code.
"""

from pathlib import Path

LINES = (
    (11, 23),
    (12, 24),
    (23, 25),
    (24, 26),
    (25, 27),
    (26, 28),
    (27, 31),
    (28, 32),
    (11, 12),
    (23, 24),
    (11, 13),
    (13, 15),
    (12, 14),
    (14, 16),
)


def plain_loop(clip: Path, out: Path, bundle: Path, *, is_video_mode: bool = False) -> int:
    """Writes the clip with the landmarks drawn on it; the number of frames.

    is_video_mode : follow the person from frame to frame instead of looking anew in each.
    """
    import cv2
    import mediapipe as mp

    vision = mp.tasks.vision
    mode = vision.RunningMode.VIDEO if is_video_mode else vision.RunningMode.IMAGE
    options = vision.PoseLandmarkerOptions(
        base_options=mp.tasks.BaseOptions(model_asset_path=str(bundle)), running_mode=mode
    )
    capture = cv2.VideoCapture(str(clip))
    rate_hz = capture.get(cv2.CAP_PROP_FPS)
    writer = None
    n = 0
    with vision.PoseLandmarker.create_from_options(options) as landmarker:
        while True:
            is_read, picture = capture.read()
            if not is_read:
                break
            rgb = cv2.cvtColor(picture, cv2.COLOR_BGR2RGB)
            image = mp.Image(image_format=mp.ImageFormat.SRGB, data=rgb)
            if is_video_mode:
                found = landmarker.detect_for_video(image, round(1000 * n / rate_hz))
            else:
                found = landmarker.detect(image)
            height, width = picture.shape[:2]
            for person in found.pose_landmarks:
                points = [(round(p.x * width), round(p.y * height)) for p in person]
                for start, end in LINES:
                    cv2.line(picture, points[start], points[end], (0, 255, 0), 2)
                for point in points:
                    cv2.circle(picture, point, 3, (0, 0, 255), -1)
            if writer is None:
                code = cv2.VideoWriter_fourcc(*"mp4v")
                writer = cv2.VideoWriter(str(out), code, rate_hz, (width, height))
            writer.write(picture)
            n += 1
    capture.release()
    if writer is not None:
        writer.release()
    return n
