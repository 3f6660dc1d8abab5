"""Openly licensed fonts for drawing read-outs, and their split into training, calibration and test.

The split is by family: a family's every weight and width is in one part, so that a test font is new in all respects.
Fetched from Debian's and npm's packages when training or evaluating; never committed.
"""

from __future__ import annotations

import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

from analyser.ingest.recogniser import ALPHABET

NPM = """
abel aldrich alata archivo archivo-narrow anonymous-pro antonio azeret-mono atkinson-hyperlegible-mono audiowide b612
b612-mono bai-jamjuree barlow barlow-condensed bebas-neue big-shoulders-display blinker cascadia-code chakra-petch
chivo commit-mono courier-prime cousine days-one didact-gothic dm-mono dm-sans dosis dotgothic16 doto dseg7
encode-sans-condensed exo-2 fira-code fira-mono fira-sans fira-sans-condensed fjalla-one fragment-mono geist-mono
iceberg iceland ibm-plex-mono ibm-plex-sans ibm-plex-sans-condensed inconsolata inter iosevka jersey-10
jetbrains-mono jost jura kanit karla khand kode-mono lato league-gothic lekton lexend maple-mono manrope michroma
micro-5 monaspace-krypton monaspace-neon monda montserrat nova-square noto-sans-mono nunito open-sans
open-sans-condensed orbitron oswald overpass overpass-mono oxanium oxygen pixelify-sans play press-start-2p pt-mono
pt-sans pt-sans-narrow quantico quicksand rajdhani red-hat-mono reddit-mono roboto roboto-condensed roboto-mono rubik
russo-one saira saira-condensed saira-extra-condensed share-tech share-tech-mono silkscreen sometype-mono
source-code-pro source-sans-3 space-grotesk space-mono spline-sans-mono syncopate teko tiny5 titillium-web tomorrow
ubuntu ubuntu-mono ubuntu-condensed varela-round victor-mono vt323 work-sans wix-madefor-text zen-dots zilla-slab
roboto-slab arvo merriweather bitter sora outfit urbanist red-hat-display plus-jakarta-sans public-sans poppins raleway
rokkitt sarabun signika staatliches tajawal unbounded yanone-kaffeesatz zalando-sans-expanded stack-sans-notch
science-gothic tiktok-sans sofia-sans schibsted-grotesk rethink-sans questrial prompt pathway-extreme onest norwester
metropolis m-plus-1 mona-sans line-seed-jp libre-franklin league-spartan krona-one k2d josefin-sans jockey-one
instrument-sans ia-writer-mono host-grotesk hind hepta-slab heebo hanken-grotesk graduate goldman google-sans-code
geologica funnel-display familjen-grotesk epilogue darker-grotesque cooper-hewitt comic-mono comfortaa clear-sans changa
cabin bungee black-ops-one biryani be-vietnam-pro average-sans asap-condensed anybody alumni-sans albert-sans afacad
actor acme recursive special-elite sn-pro noto-mono
aileron archivo-black arimo asap assistant biz-udgothic cairo cal-sans catamaran changa-one dela-gothic-one encode-sans
figtree firago gabarito golos-text gugi gothic-a1 hind-madurai kosugi-maru kumbh-sans lalezar maven-pro
montserrat-alternates museomoderno nanum-gothic-coding mulish noto-sans poiret-one pretendard rowdies rubik-mono-one
rubik-one saira-stencil-one sawarabi-gothic sniglet syne tenor-sans titan-one uncut-sans varela vazirmatn
zcool-qingke-huangyou m-plus-rounded-1c zen-kaku-gothic-new spartan black-han-sans londrina-solid germania-one fredoka
sen special-gothic-expanded-one aboreto righteous nova-script orienta merriweather-sans caladea cantarell yantramanav
zain lexend-zetta
bitcount-grid-single bitcount-single codystar raleway-dots sixtyfour workbench handjet rubik-pixels wallpoet electrolize geo
nova-mono nova-flat martian-mono chivo-mono xanh-mono syne-mono major-mono-display cutive-mono gruppo sarpanch
allerta-stencil stardos-stencil keania-one pathway-gothic-one oxygen-mono m-plus-1-code squada-one
fira-sans-extra-condensed big-shoulders-text encode-sans-semi-expanded saira-semi-condensed commissioner lexend-deca readex-pro
radio-canada-big tasa-orbiter nunito-sans sunflower spline-sans tinos source-serif-4 mukta alexandria anuphan abeezee basic belleza
fahkwang opendyslexic geist inter-tight monofett redaction-10 zen-maru-gothic m-plus-1p mochiy-pop-one balsamiq-sans comic-neue coiny
paytone-one passion-one anton alfa-slab-one lilita-one slabo-13px kiwi-maru noto-serif bodoni-moda playfair-display dm-serif-text
old-standard-tt libre-baskerville lora domine crimson-pro libre-caslon-condensed
""".split()
DEBIAN = """
fonts-dseg fonts-3270 fonts-agave fonts-hack fonts-mononoki fonts-monofur fonts-monoid fonts-hermit fonts-glasstty
fonts-go fonts-fantasque-sans fonts-freefont-ttf fonts-routed-gothic fonts-proggy fonts-league-mono
fonts-adf-switzera fonts-adf-verana fonts-liberation fonts-dejavu-core fonts-dejavu-extra fonts-crosextra-carlito
fonts-urw-base35 fonts-texgyre fonts-cantarell fonts-spleen fonts-unifont
""".split()

#: Families (the beginning of a file's name) that only the test draws with.
TEST = (
    "b612", "ibm-plex", "roboto", "ubuntu", "share-tech", "pt-", "space-", "barlow", "overpass", "titillium-web", "quantico",
    "oxanium", "exo-2", "vt323", "doto", "iceland", "DSEG7Classic", "DSEG14Classic", "dseg7-classic", "3270", "hermit", "jersey-10",
    "Hermit",
)  # fmt: skip
#: Families that only the calibration of probabilities draws with.
CALIBRATION = (
    "lato", "rajdhani", "victor-mono", "kode-mono", "tomorrow", "dotgothic16", "hack", "Hack", "agave", "sometype-mono", "jura",
    "khand", "azeret-mono", "DSEG7Modern-Light", "DSEG14Modern-Light", "silkscreen",
    "raleway-dots", "electrolize", "martian-mono", "sarpanch", "pathway-gothic-one", "opendyslexic", "redaction-10", "zen-maru-gothic", "fahkwang",
)  # fmt: skip
SEGMENTS = ("DSEG", "dseg")
WEIGHTS = ("400", "700")


@dataclass(frozen=True)
class Face:
    """A font file; ``segments``: it draws digits by segments and no legible lower case."""

    path: Path
    part: str  # train | calibrate | test
    segments: bool

    @property
    def family(self) -> str:
        """The design it belongs to, so that one with many weights is not drawn more often."""
        name = self.path.stem.split("-latin-")[0]
        return name.split("-")[0] if name[:1].isupper() else name


def part_of(name: str) -> str:
    """Which part of the split a font file belongs to, by the beginning of its name."""
    if name.startswith(TEST):
        return "test"
    return "calibrate" if name.startswith(CALIBRATION) else "train"


def fetch(folder: Path) -> None:
    """Download the packages with npm and apt-get into ``folder`` and unpack them there."""
    npm, debian = folder / "npm", folder / "debian"
    npm.mkdir(parents=True, exist_ok=True)
    debian.mkdir(parents=True, exist_ok=True)
    names = [f"@fontsource/{name}" for name in NPM]
    subprocess.run(["npm", "init", "-y"], cwd=npm, check=True, stdout=subprocess.DEVNULL)
    subprocess.run(["npm", "install", "--no-audit", "--no-fund", "--ignore-scripts", *names], cwd=npm, check=True)
    subprocess.run(["apt-get", "download", *DEBIAN], cwd=debian, check=True)
    for package in debian.glob("*.deb"):
        subprocess.run(["dpkg", "-x", str(package), str(debian / "unpacked")], check=True)


def subset(folder: Path, target: Path) -> int:
    """Cut every fetched font down to the recogniser's characters, as TrueType or OpenType files in ``target``."""
    from fontTools import subset as cutter
    from fontTools.ttLib import TTLibError

    target.mkdir(parents=True, exist_ok=True)
    sources = [
        path
        for path in sorted(folder.rglob("*-latin-*-normal.woff"))
        if "-latin-ext-" not in path.name and any(f"-{weight}-" in path.name for weight in WEIGHTS)
    ]
    sources += [path for path in sorted(folder.rglob("dseg7-*-normal.woff")) if path not in sources and "seggchan" not in path.name]
    sources += [
        path for kind in ("*.ttf", "*.otf") for path in sorted(folder.rglob(kind))
        if not any(word in path.stem for word in ("Italic", "Oblique", "Weather", "Smallcaps", "Math", "SEGGCHAN", "seggchan", "Symbols", "D050000L", "chorus", "unifont_"))
    ]  # fmt: skip
    options = cutter.Options(drop_tables=["GSUB", "GPOS", "GDEF", "kern", "FFTM"], hinting=False, notdef_outline=True)
    made = 0
    for path in sources:
        name = target / f"{path.stem}.ttf"
        if name.exists():
            continue
        try:
            font = cutter.load_font(str(path), options)
            font.flavor = None
            cut = cutter.Subsetter(options)
            cut.populate(text=ALPHABET)
            cut.subset(font)
            font.save(str(name))
            made += 1
        except (TTLibError, cutter.Subsetter.MissingGlyphsSubsettingError, KeyError, AttributeError, ValueError) as error:
            print(f"left out {path.name}: {error}", file=sys.stderr)
    return made


def faces(folder: Path, part: str) -> list[Face]:
    """The cut fonts in ``folder`` that belong to a part of the split, by name."""
    return [
        Face(path, part, path.name.startswith(SEGMENTS)) for path in sorted(folder.glob("*.ttf")) if part_of(path.name) == part
    ]


if __name__ == "__main__":
    where = Path(sys.argv[1] if len(sys.argv) > 1 else "fonts")
    fetch(where / "packages")
    print(f"{subset(where / 'packages', where / 'cut')} fonts in {where / 'cut'}")
