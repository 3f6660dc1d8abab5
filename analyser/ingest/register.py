"""Finds the panel of a reference picture in a screenshot: features, then a robust homography, then a hard look at it.

"Not found" is a result with a reason, never a guess.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from analyser.ingest.images import grey_of, load_opencv

if TYPE_CHECKING:
    import numpy as np

FEATURES = 4000
WORK_WIDTH = 960  # pixels across at which features are sought: half of a common screen
CLOSE_WIDTH = 1440  # the same for a second, closer search
CLOSE_FEATURES = 5000
CLOSE_RATIO = 0.86
FAR_FEATURES = 1800  # of the reference picture, as it looks from each distance
BLOCK = 1024  # features matched at a time: 20 MB
FAR = (0.7, 0.5, 0.35)
RATIO = 0.78  # best match against second best (Lowe 2004, section 7.1, uses 0.8)
MIN_INLIERS = 18
MIN_CLOSE = 10  # in a closer search, whose views must also look like the panel
CHANCE = 7, 6  # features of a picture without the panel that agree by chance: with the panel seen from further away, and from as near as the reference
LIKE = 0.4  # least correlation of fine structure for a view that few features agree on
BLANK, DIM = 1.5, 8.0  # grey levels: a picture with less between its dark and bright places shows nothing; nothing also when looked at closely
MIN_SPREAD = 0.12  # part of the panel's area that the inliers' hull must cover
TRACKED = 200  # corners of the reference that are followed from screenshot to screenshot
MIN_TRACKED = 40
THRESHOLD = 2.5  # pixels at working size


@dataclass(frozen=True)
class Registration:
    """Where a panel is in a screenshot.

    Attributes
    ----------
    homography : ndarray, (3, 3), or None
        Takes reference pixels to screenshot pixels; None where the panel was not found.
    inliers : int
        Matched features that agree.
    error : float
        Median distance of the inliers, screenshot pixels; nan where not found.
    reason : str
        Why the panel was not found; "" where it was.
    """

    homography: "np.ndarray | None"
    inliers: int = 0
    error: float = float("nan")
    reason: str = ""

    @property
    def found(self) -> bool:
        """Whether the panel was found."""
        return self.homography is not None


def project(homography: "np.ndarray", points) -> "np.ndarray":
    """Points (n, 2) taken through a homography."""
    import numpy as np

    points = np.asarray(points, float)
    lifted = np.c_[points, np.ones(len(points))] @ homography.T
    return lifted[:, :2] / lifted[:, 2:]


def matched(own: "np.ndarray", others: "np.ndarray", ratio: float) -> "tuple[np.ndarray, np.ndarray]":
    """Places of marks of unit length in two sets that belong together: the nearest must be nearer than ``ratio`` times the next one.

    Each of ``others`` serves one of ``own`` only, the nearest.
    """
    import numpy as np

    nearest, distance, clear = [], [], []
    for start in range(0, len(own), BLOCK):
        alike = own[start : start + BLOCK] @ others.T
        rows = np.arange(len(alike))
        best = alike.argmax(axis=1)
        most = alike[rows, best]
        alike[rows, best] = -np.inf
        near, next_one = (np.sqrt(np.maximum(2 - 2 * each, 0)) for each in (most, alike.max(axis=1)))
        nearest.append(best)
        distance.append(near)
        clear.append(near < ratio * next_one)
    best, near, good = (np.concatenate(each) for each in (nearest, distance, clear))
    mine = np.flatnonzero(good)
    mine = mine[np.argsort(near[mine], kind="stable")]
    _, first = np.unique(best[mine], return_index=True)
    mine = np.sort(mine[first])
    return mine, best[mine]


class PanelFinder:
    """Knows a reference picture and finds its panel in others.

    Parameters
    ----------
    reference : ndarray, (height, width, 3), uint8
    changing : sequence of (4, 2) arrays
        Quadrilaterals (the gauges' insides) whose content changes: no features are taken there.
    """

    def __init__(self, reference: "np.ndarray", changing=()):
        import numpy as np

        cv2 = load_opencv()
        self.height, self.width = reference.shape[:2]
        self._sift = cv2.SIFT_create(nfeatures=FEATURES, contrastThreshold=0.02)
        self._close = cv2.SIFT_create(nfeatures=CLOSE_FEATURES, contrastThreshold=0.012)
        self._far = cv2.SIFT_create(nfeatures=FAR_FEATURES, contrastThreshold=0.012)
        mask = np.full((self.height, self.width), 255, np.uint8)
        for quad in changing:
            middle = np.mean(quad, axis=0)
            inside = np.round(middle + 0.9 * (np.asarray(quad, float) - middle)).astype(np.int32)
            cv2.fillPoly(mask, [inside], 0)
        self._mask, self._grey = mask, grey_of(reference)
        self._points, self._marks = self._features(reference, mask)
        # for the closer search also as the panel looks from further away
        far, coarse = [self._points], [self._marks]
        for part in FAR:
            size = (round(self.width * part), round(self.height * part))
            points, marks = self._features(
                cv2.resize(reference, size, interpolation=cv2.INTER_AREA),
                cv2.resize(mask, size, interpolation=cv2.INTER_NEAREST), closely=True, seek=self._far,
            )  # fmt: skip
            far.append((points + 0.5) / part - 0.5)
            coarse.append(marks)
        self._far_points, self._far_marks = np.concatenate(far), np.concatenate(coarse)
        self._scale = min(1.0, WORK_WIDTH / max(self.height, self.width))
        self._small = self._work(reference, self._scale)
        corners = cv2.goodFeaturesToTrack(
            cv2.GaussianBlur(self._small, (0, 0), 0.8), TRACKED, 0.01, 7,
            mask=cv2.resize(mask, self._small.shape[::-1], interpolation=cv2.INTER_NEAREST),
        )  # fmt: skip
        self._corners = np.zeros((0, 2)) if corners is None else corners.reshape(-1, 2).astype(float)

    def _features(self, pixels, mask=None, closely: bool = False, seek=None):
        """Places and marks of features; ``closely``: at full size and in the dark, for a panel that is small or dim."""
        import numpy as np

        cv2 = load_opencv()
        scale = min(1.0, (CLOSE_WIDTH if closely else WORK_WIDTH) / max(pixels.shape[:2]))
        grey = grey_of(pixels)
        if scale < 0.4:  # much larger than what is looked at: no need to soften every pixel of it
            grey = cv2.resize(grey, None, fx=2 * scale, fy=2 * scale, interpolation=cv2.INTER_AREA)
        if closely:
            grey = cv2.GaussianBlur(grey, (0, 0), 0.7)
            low, high = np.percentile(grey, (1, 99.5))
            grey = np.clip((grey.astype(np.float32) - low) * (255 / max(high - low, 8)), 0, 255).astype(np.uint8)
        if scale < 1:
            size = (round(pixels.shape[1] * scale), round(pixels.shape[0] * scale))
            grey = cv2.resize(grey, size, interpolation=cv2.INTER_AREA)
            mask = None if mask is None else cv2.resize(mask, size, interpolation=cv2.INTER_NEAREST)
        grey = cv2.createCLAHE(clipLimit=4.0, tileGridSize=(8, 8)).apply(cv2.GaussianBlur(grey, (0, 0), 0.6))
        found, marks = (seek or (self._close if closely else self._sift)).detectAndCompute(grey, mask)
        points = np.array([key.pt for key in found], float).reshape(-1, 2)
        points = (points + 0.5) / scale - 0.5
        if marks is None:
            marks = np.zeros((0, 128), np.float32)
        marks = np.sqrt(marks / np.maximum(marks.sum(axis=1, keepdims=True), 1e-9))  # Arandjelovic & Zisserman 2012
        return points, marks.astype(np.float32)

    @staticmethod
    def _work(pixels, scale: float):
        """Grey, at working size, with even contrast."""
        cv2 = load_opencv()
        grey = grey_of(pixels)
        if scale < 1:
            grey = cv2.resize(grey, (round(grey.shape[1] * scale), round(grey.shape[0] * scale)), interpolation=cv2.INTER_AREA)
        return cv2.createCLAHE(clipLimit=3.0, tileGridSize=(8, 8)).apply(grey)

    def track(self, pixels: "np.ndarray", before: Registration) -> Registration:
        """The panel in a screenshot whose view hardly moved since ``before``; not found where it did.

        The reference picture, seen as it was before, is followed by optical flow (Lucas & Kanade 1981, in pyramids) there
        and back; since it is always the reference that is followed, errors do not add up.
        """
        import numpy as np

        cv2 = load_opencv()
        missed = Registration(None, reason="the view moved too far to be followed")
        if not before.found or len(self._corners) < MIN_TRACKED:
            return missed
        scale = min(1.0, WORK_WIDTH / max(pixels.shape[:2]))
        now = self._work(pixels, scale)
        to_small = np.array([[self._scale, 0, (self._scale - 1) / 2], [0, self._scale, (self._scale - 1) / 2], [0, 0, 1]])
        to_now = np.array([[scale, 0, (scale - 1) / 2], [0, scale, (scale - 1) / 2], [0, 0, 1]])
        guess = to_now @ before.homography @ np.linalg.inv(to_small)
        seen = cv2.warpPerspective(self._small, guess, now.shape[::-1])
        start = project(guess, self._corners)
        margin = 12
        inside = ((start > margin) & (start < np.array(now.shape[::-1]) - margin)).all(axis=1)
        if inside.sum() < MIN_TRACKED:
            return missed
        start = start[inside].astype(np.float32)[:, None]
        options = {"winSize": (11, 11), "maxLevel": 2}
        ahead, there, _ = cv2.calcOpticalFlowPyrLK(seen, now, start, None, **options)
        back, again, _ = cv2.calcOpticalFlowPyrLK(now, seen, ahead, None, **options)
        good = (there.ravel() == 1) & (again.ravel() == 1) & (np.linalg.norm(back - start, axis=2).ravel() < 0.7)
        if good.sum() < MIN_TRACKED or good.mean() < 0.5:
            return missed
        source = project(np.linalg.inv(to_small), self._corners[inside][good])
        target = project(np.linalg.inv(to_now), ahead[good, 0])
        cv2.setRNGSeed(1)
        homography, mask = cv2.findHomography(source, target, cv2.USAC_MAGSAC, 1.5 / scale, maxIters=2000, confidence=0.999)
        if homography is None or mask.sum() < max(MIN_TRACKED, 0.8 * good.sum()):
            return missed
        return self._judge(homography, source, target, mask.ravel().astype(bool), MIN_TRACKED)

    def find(self, pixels: "np.ndarray", before: Registration | None = None) -> Registration:
        """The panel in a screenshot: followed from ``before`` where the view hardly moved, else by a full search."""
        if before is not None and before.found:
            followed = self.track(pixels, before)
            if followed.found:
                return followed
        return self.search(pixels)

    def search(self, pixels: "np.ndarray") -> Registration:
        """The panel in a screenshot, by a full search; a second, closer one where the first finds nothing but what might be the panel, dim or far away."""
        import numpy as np

        if len(self._points) < MIN_INLIERS:
            return Registration(None, reason="the reference picture has too few features to be found again")
        contrast = float(np.ptp(np.percentile(pixels[::8, ::8], (0.2, 99.8))))
        if contrast <= BLANK:
            return Registration(None, reason="the screenshot shows almost nothing that could be matched")
        points, marks = self._features(pixels)
        found = self._search(pixels, points, marks, False)
        if found.found or contrast <= DIM or not self._may_be_there(pixels, points, marks):
            return found
        closer = self._search(pixels, *self._features(pixels, closely=True), True)
        return closer if closer.found else found

    def _may_be_there(self, pixels, points, marks) -> bool:
        """Whether more features than by chance agree on a view of the panel, near or far; costs a fraction of looking more closely."""
        cv2 = load_opencv()
        scale = max(1.0, max(pixels.shape[:2]) / WORK_WIDTH)
        near = len(self._points)
        for chance, own_points, own_marks, ratio in (
            (CHANCE[1], self._points, self._marks, RATIO), (CHANCE[0], self._far_points[near:], self._far_marks[near:], CLOSE_RATIO),
        ):  # fmt: skip
            own, there = matched(own_marks, marks, ratio)
            if len(own) <= chance:
                continue
            cv2.setRNGSeed(1)
            homography, mask = cv2.findHomography(own_points[own], points[there], cv2.USAC_MAGSAC, 1.5 * THRESHOLD * scale, maxIters=2000, confidence=0.999)
            if homography is not None and int(mask.sum()) > chance:
                return True
        return False

    def _search(self, pixels, points, marks, closely: bool) -> Registration:
        cv2 = load_opencv()
        if len(points) < MIN_INLIERS:
            return Registration(None, reason="the screenshot shows almost nothing that could be matched")
        own_points, own_marks = (self._far_points, self._far_marks) if closely else (self._points, self._marks)
        own, there = matched(own_marks, marks, CLOSE_RATIO if closely else RATIO)
        least = MIN_CLOSE if closely else MIN_INLIERS
        if len(own) < least:
            return Registration(None, len(own), reason=f"only {len(own)} features match the reference picture")
        source, target = own_points[own], points[there]
        scale = max(1.0, max(pixels.shape[:2]) / (CLOSE_WIDTH if closely else WORK_WIDTH))
        cv2.setRNGSeed(1)
        homography, mask = cv2.findHomography(
            source, target, cv2.USAC_MAGSAC, THRESHOLD * scale, maxIters=5000, confidence=0.9999
        )
        if homography is None:
            return Registration(None, reason="the matched features do not agree on one view of the panel")
        view = self._judge(homography, source, target, mask.ravel().astype(bool), least)
        if view.found and view.inliers < 2 * MIN_INLIERS:
            alike = self.likeness(pixels, view.homography)
            if alike < LIKE:
                return Registration(None, view.inliers, reason=f"the place found looks like the panel only by {max(alike, 0):.0%}")
        return view

    def likeness(self, pixels: "np.ndarray", homography: "np.ndarray") -> float:
        """Correlation of the fine structure of the reference picture and of what is seen in its place, gauges left out."""
        import numpy as np

        cv2 = load_opencv()
        scale = 640 / max(self.width, self.height)
        size = (round(self.width * scale), round(self.height * scale))
        to_small = np.array([[scale, 0, 0], [0, scale, 0], [0, 0, 1]])
        grey = grey_of(pixels)
        seen = cv2.warpPerspective(grey, np.linalg.inv(homography @ np.linalg.inv(to_small)), size, flags=cv2.INTER_AREA)
        there = cv2.warpPerspective(np.full_like(grey, 255), np.linalg.inv(homography @ np.linalg.inv(to_small)), size)
        use = (cv2.resize(self._mask, size, interpolation=cv2.INTER_NEAREST) > 0) & (there > 250)
        if use.sum() < 2000:
            return 0.0
        known = cv2.resize(self._grey, size, interpolation=cv2.INTER_AREA)

        def fine(picture):
            picture = cv2.GaussianBlur(picture.astype(np.float32), (0, 0), 1.0)
            high = picture - cv2.GaussianBlur(picture, (0, 0), 6.0)
            return np.clip(high / (2.5 * float(np.median(np.abs(high[use]))) + 0.3), -6, 6)[use]

        return float(np.corrcoef(fine(known), fine(seen))[0, 1])

    def _judge(self, homography, source, target, inside, least) -> Registration:
        """Accept a view only if many features, well spread, agree on a panel that faces the eye."""
        import numpy as np

        cv2 = load_opencv()
        count = int(inside.sum())
        if count < least:
            return Registration(None, count, reason=f"only {count} features agree on one view of the panel")
        offsets = np.linalg.norm(project(homography, source[inside]) - target[inside], axis=1)
        hull = cv2.convexHull(source[inside].astype(np.float32))
        extent = cv2.convexHull(self._points.astype(np.float32))
        spread = cv2.contourArea(hull) / max(cv2.contourArea(extent), 1.0)
        if spread < MIN_SPREAD:
            return Registration(None, count, reason=f"the features that agree cover only {spread:.0%} of the panel")
        corners = np.array([[0, 0], [self.width, 0], [self.width, self.height], [0, self.height]], float)
        depth = np.c_[corners, np.ones(4)] @ homography[2]
        if np.any(depth * depth[0] <= 0):
            return Registration(None, count, reason="the view found has part of the panel behind the eye")
        seen = project(homography, corners)
        turned = cv2.contourArea(seen.astype(np.float32), oriented=True)
        scale = np.sqrt(abs(turned) / (self.width * self.height))
        if turned <= 0 or not cv2.isContourConvex(seen.astype(np.float32)) or not 0.15 < scale < 6:
            return Registration(None, count, reason="the view found is mirrored, folded or of an impossible size")
        return Registration(homography, count, float(np.median(offsets)))
