"""Grammars of the formats that calib reads: each ``$name`` becomes one of its alternatives."""

from __future__ import annotations

from hostile import Grammar

QUANTITY: Grammar = {
    "start": ("$value", "$value$x$value", "$number$space$unit", "$sign$value", "$text"),
    "value": ("$number$space$unit", "$digit/$digit$space$unit", "$digit $digit/$digit$unit"),
    "digit": ("1", "4", "0", "16", "$number"),
    "unit": ("mm", "in", "", "cm", "m", '"', "mm/s", "mm/min", "in/s", "IN/MIN", "%", "kg", "µm"),
    "space": ("", " ", "  ", "\t", "\u00a0"),
    "sign": ("-", "+", "--", "−"),
    "x": ("x", " x ", "×", "*", "X", "xx", ","),
}

WORDS: Grammar = {
    "start": ("$setting", "$codes", "$measured", "$curve", "$list", "$time", "$pair", "$text"),
    "setting": (
        "$class=$number@$number$passes$pitch",
        "$class=$number %@$number mm/min",
        "$class=",
    ),
    "class": ("#ff0000", "#00f", "fill #000000", "layer 2", "=", "@", "$text"),
    "passes": ("", "x2", "x$number"),
    "pitch": ("", "/0.1", "/$number"),
    "codes": ("S1", "S4,S5", "S1-S3", "S$number-S$number", "$code-$code", "$code,$codes"),
    "code": ("S1", "T5", "A1", "$number", "S", "", "-"),
    "measured": ("T5=8.35/8.36", "$code=$number/$number mm", "$code=$number", "=$number/"),
    "curve": ("20:9,50:28,80:44", "$number:$number,$curve", "$number:$number"),
    "list": ("40,60,80", "$number,$list", "$number", "$number,"),
    "time": ("12.5", "12:30", "1:02:30", "$number:$number", "$number min", "$time:$number"),
    "pair": ("10,20", "$number,$number", "machine bench=same", "sheet x=rename:$text"),
}

RESULTS: Grammar = {
    "start": ("$head$end$rows", "sep=;\n$other", "$head$end$rows$rows", "\ufeff$head$end$rows"),
    "head": (
        "cell,through,char,mark,note", "cell,through,char,mark,note,board",
        "Cell, Through ,CHAR,mark,note,width_mm,height_mm", "cell,$text,char,mark,note",
    ),
    "end": ("\r\n", "\n", "\r", "\n\n"),
    "rows": ("$row$end", "$row$end$rows", "$row$end$row$end$rows", "$wide$end$rows", ""),
    "row": ("$cell,$through,$char,$mark,$note", "$cell,$through,$char,$mark,$note,$board"),
    "wide": ("$cell,$through,$char,,$note,$number,$number", "$cell,,,,,", "$text,$text"),
    "other": ("cell;through;char;mark;note$end$cell;$through;$char;;$note$end",),
    "cell": ("A1", "A2", "a 3", "B1", "Z9", "$text"),
    "through": ("through", "hanging", "no", "", "cut through", "yes", "ok", "$text"),
    "char": ("", "0", "2", "brown", "4,0", "5", "tan", "$number"),
    "mark": ("", "", "", "", "1", "faint", "$number"),
    "note": ("", "knot", '"with, comma"', '"two\nlines"', '"open', "'=1+1", "$text", "a\tb"),
    "board": ("AB12", "ab12", "", "CD34", "$text"),
}  # fmt: skip

DEFINITION: Grammar = {
    "start": ("$head$machine$sheet$board", "$head$board$sheet$machine", "$line$head$sheet$board"),
    "head": (
        'title = "$text"\nfor_whom = "me"\nassumes = ["flat"]\nkeep_files = false\n',
        "title = $any\nfor_whom = $any\nassumes = $any\nkeep_files = $any\n",
    ),
    "machine": (
        '[machine]\nname = "m"\nrated_w = 60.0\nbed_mm = [600.0, 400.0]\nmax_speed_mm_s = 400.0\n',
        '[machine]\nname = "$text"\nrated_w = $any\nbed_mm = $any\nmax_speed_mm_s = $any\n$line',
    ),
    "sheet": (
        '[sheet]\nname = "s"\nmaterial = "birch plywood"\nthickness_mm = 3.0\n',
        '[sheet]\nname = "$text"\nmaterial = "$text"\nthickness_mm = $any\n$line',
    ),
    "board": (
        '[board]\noperation = "cut"\noffcut_mm = [160.0, 70.0]\npowers_pct = [60.0]\n'
        "speeds_mm_s = [3.0, 6.0]\n",
        "[board]\noperation = $any\noffcut_mm = $any\n$line$line",
        '[board]\noperation = "$operation"\n$line',
    ),
    "operation": ("cut", "line_mark", "area_mark"),
    "line": ("$key = $any\n", "$key = $any\n$line", "\n"),
    "key": (
        "burns", "passes", "powers_pct", "speeds_mm_s", "line_pitch_mm", "reliability", "seed",
        "char_at_most", "mark", "source", "power_curve", "acceleration_mm_s2", "lens_mm", "lot",
        "declaration", "beam_on_word", "offset_mm", "slat_gap_mm", "measured_mm", "extra",
    ),
    "any": ("3.0", "$number", '"$text"', "true", "[$any, $any]", "[]", "{a = $any}", "1979-05-27",
            "[[10.0, 5.0], [50.0, 28.0]]", "6", "nan"),
}  # fmt: skip

DRAWING: Grammar = {
    "start": (
        '<svg xmlns="http://www.w3.org/2000/svg" $size>$shapes</svg>',
        '<?xml version="1.0"?>\n<!DOCTYPE svg$doctype>\n<svg $size>$shapes</svg>',
        '<svg xmlns:xlink="http://www.w3.org/1999/xlink" $size><style>$css</style>$shapes</svg>',
    ),
    "size": (
        'width="100mm" height="100mm" viewBox="0 0 100 100"', "",
        'width="$length" height="$length"',
        'viewBox="$number $number $number $number"',
        'width="50%" height="2in" viewBox="0,0,10,10" preserveAspectRatio="$aspect"',
    ),
    "aspect": ("none", "xMidYMin slice", "$text"),
    "doctype": ("", ' [<!ENTITY a "b">]', ' SYSTEM "x.dtd"'),
    "shapes": ("$shape", "$shape$shapes", "$shape$shape$shapes", "$group$shapes", ""),
    "group": (
        '<g id="$id" $look transform="$transform">$shapes</g>', "<g>$shapes</g>",
        "<defs>$shapes</defs>", '<symbol id="$id" $size>$shapes</symbol>',
        '<a href="https://example.org">$shapes</a>', "<switch>$shapes</switch>",
    ),
    "shape": (
        '<path d="$path" $look/>', '<rect x="$length" y="1" width="20" height="$length" $look/>',
        '<circle cx="$length" cy="9" r="$length" id="$id" $look/>',
        '<ellipse rx="$length" ry="3" transform="$transform" $look/>',
        '<line x1="$length" y1="2" x2="30" y2="$length" $look/>',
        '<polyline points="$points" $look/>', '<polygon points="$points" class="$id" $look/>',
        '<use href="#$id" x="$length" $look/>', '<use xlink:href="#$id"/>', "<text>$text</text>",
        '<image href="$href"/>', "<title>$text</title>", "<!-- $text -->", "<script>1</script>",
    ),
    "look": (
        'stroke="red" fill="none"', 'stroke="$colour"', 'style="stroke:$colour;fill:none"', "",
        'fill="$colour" display="none"', 'visibility="hidden" clip-path="url(#a)"',
        'stroke="$colour" stroke-dasharray="$points" stroke-dashoffset="$length"',
        'style="transform:$transform;stroke-width:$length;opacity:$number"',
    ),
    "colour": ("red", "#00f", "rgb(1,2,3)", "none", "url(#a)", "hsl(9,9%,9%)", "inherit",
               "currentColor", "lab(1 2 3)", "$text"),
    "css": (".$id{stroke:$colour}", "*{fill:none}/*", "#$id , path{stroke:red}$css", "@import x;",
            "g.$id path{stroke:red!important}$css", "path:hover{}$css", "$text"),
    "id": ("a", "b", "c", "$text"),
    "href": ("#a", "data:image/png;base64,AA", "http://example.org/a.png", "file:///etc/passwd"),
    "length": ("5", "5mm", "1in", "50%", "1e2", "$number", "$number mm", "3em"),
    "transform": (
        "translate(3 4)", "rotate($number)", "scale($number $number)", "skewX(45)", "$text",
        "matrix(1 0 0 1 $number 3)", "scale(0)", "rotate(9 1)", "$transform $transform",
    ),
    "points": ("1,2 3,4 5,1", "$number $number $points", "$number,$number", "1 2 3"),
    "path": (
        "M5 5h10v10h-10z", "M$number $number$steps", "m0 0$steps z$steps", "$steps", "M1 2",
    ),
    "steps": (
        "l3 $number", "L$number,$number$steps", "h$number$steps", "c1 1 2 2 $number 3$steps",
        "q1 2 3 4t5 6$steps", "a$number 3 0 1 0 4 4$steps", "A5 5 0 0110 10z$steps", "s1 2 3 4",
        "M3 3l1 1", "z", "X3",
    ),
}  # fmt: skip

MATERIAL: Grammar = {
    "start": ("$stuff\n$said", "$stuff $stuff\n$said", "$stuff\n", "$text"),
    "stuff": (
        "birch plywood", "black acrylic", "MDF 3mm", "PVC", "faux leather", "oak vynil", "card",
        "polycarbonate", "pvc-free vinyl", "clear acrylic", "chloroprene", "laminated $stuff",
        "p.v.c.", "acrylic fibre felt", "$text",
    ),
    "said": (
        "I have read the maker's data sheet: it is $stuff; no chlorine, fluorine or bromine.",
        "SDS read: $claims", "$claims", "I think $claims", "data sheet read; $claims; $claims", "",
    ),
    "claims": (
        "halogen free", "no chlorine", "contains $number % chlorine", "Cl: 0, F: 0, Br: 0",
        "free of chlorine and bromine", "does not contain fluorine, $claims", "$text",
    ),
}  # fmt: skip

FORM: Grammar = {
    "start": ("$field", "$field&$start", "$field&$field&$field&$start"),
    "field": ("$key=$number", "$key=$text", "$key=", "operation=$operation", "offcut_mm=300x200 mm",
              "power_pct=60 %&speed_mm_s=12&through=3",
              "name=m&rated_w=60&bed_mm=600x400&max_speed_mm_s=400",
              "name=s&material=birch&thickness_mm=3", "name=s&lot=L2&measured_mm=2.9",
              "power_pct=60&speed_mm_s=12", "name=m&what=lens&lens_mm=50.8",
              "note=$text", "text=$text", "name=$text", "machine=bench&sheet=birch 3"),
    "key": (
        "machine", "sheet", "operation", "aim", "reliability", "char_at_most", "mark", "scope",
        "cut_length_mm", "burns", "offcut_mm", "line_pitch_mm", "power_pct", "speed_mm_s", "passes",
        "through", "note", "name", "rated_w", "source", "bed_mm", "max_speed_mm_s", "y_up",
        "power_curve", "offset_mm", "lens_mm", "material", "thickness_mm", "measured_mm", "lot",
        "declaration", "what", "to_machine",
    ),
    "operation": ("cut", "line_mark", "area_mark", "$text"),
}  # fmt: skip

PHOTOGRAPH: Grammar = {
    "start": ("$name\n$magic$text", "$name\n"),
    "name": ("a1.jpg", "../a.png", "C:\\a.png", "$text", "a.webp"),
    "magic": ("ÿØÿà", "\x89PNG\r\n\x1a\n", "RIFF\x00\x00\x00\x00WEBP", "GIF89a", "RIFF", ""),
}

# One word a line, as a shell hands them over.
COMMAND: Grammar = {
    "start": (
        "machine\nadd\n$text\n--watts\n$number\n--bed\n$size\n--top-speed\n$number$machine",
        "machine\nchange\nbench\n--why\n$text$machine", "machine\nshow\n$text", "machine\nlist",
        "sheet\nadd\n$text\n--material\n$material\n--thickness\n$number\n--lot\n$text",
        "sheet\nnew-lot\nbirch 3\n$text\n--measured\n$number", "sheet\nlist",
        "material\n$material", "sheet\nshow\n$text", "board\nshow\n$code",
        "book\nhistory\n$text",
        "record\n--job\nbirch 3\n--power\n$number\n--speed\n$number\n--through\n$number",
        "record\n$code\n--not-burnt\n$text\n--why\n$text", "book\nundo\n--board\n$code",
        "keep\n$text\n--none", "book\ncosts\n--machine-hour\n$number\n--currency\n$text",
        "book\ncosts\n--cleaning\n0,0,15,40,$number\n--recut-share\n$number",
        "book\nlist\n--material\n$text", "board\nlist\n--sheet\n$text",
        "book\nlist\n--thickness\n$number\n--since\n$date\n--limit\n$number\n--offset\n$number",
        "book\nlist\n--outcome\n$text\n--operation\n$text\n--kind\n$text",
        "book\nnote\n$text\n--board\n$code",
        "book\nsessions\n$text\n--focus\n$number\n--on\n$text\n--note\n$text", "book\nsessions",
        "book\nwhere", "keep\nbirch 3\n--power\n$number\n--speed\n$number",
        "record\n$code\n--tight\n$codes\n--top\nT5=$number/$number",
    ),
    "machine": ("", "\n--lens\n$number", "\n--power-curve\n20:9,50:$number",
                "\n--offset\n$number,2", "\n--source\n$text", "\n--beam-on\n$text",
                "\n--power-word\n$number"),
    "size": ("600x400", "$number x $number mm"),
    "material": ("birch plywood", "pvc", "$text"),
    "code": ("AB12", "last", "$text"),
    "codes": ("S1-S3", "S4,S5", "S1-S$number", "$text"),
    "date": ("2026-03-01", "$text", "9999-12-31", "0001-01-01"),
}  # fmt: skip
