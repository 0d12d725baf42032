# Blanks comments, string and character literals of C source, keeping line numbers, into line[1..n] of the caller's
# function code(). Used together with a second -f program that defines code(text, raw): text is the bare code of a
# line, raw the line itself.
FNR == 1 { in_comment = 0 }
{
    raw = $0
    text = ""
    rest = $0
    while (rest != "") {
        if (in_comment) {
            at = index(rest, "*/")
            if (at == 0) {
                rest = ""
            } else {
                rest = substr(rest, at + 2)
                in_comment = 0
                text = text " "
            }
        } else if (match(rest, /\/\*|\/\/|["']/) == 0) {
            text = text rest
            rest = ""
        } else {
            mark = substr(rest, RSTART, RLENGTH)
            text = text substr(rest, 1, RSTART - 1)
            rest = substr(rest, RSTART + RLENGTH)
            if (mark == "/*") {
                in_comment = 1
            } else if (mark == "//") {
                rest = ""
            } else {
                text = text mark mark
                while (rest != "" && substr(rest, 1, 1) != mark) {
                    rest = substr(rest, substr(rest, 1, 1) == "\\" ? 3 : 2)
                }
                rest = substr(rest, 2)
            }
        }
    }
    code(text, raw)
}
