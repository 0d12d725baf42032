#!/bin/sh
# selftest.sh CHECK: shows that tools/check-CHECK passes a clean little tree and refuses each bad change to it.
# The bad trees are made here, in a temporary folder, so that the project's own files stay clean.
set -eu
tools=$(cd "$(dirname "$0")/../../tools" && pwd)
check=$1
tree=$(mktemp -d)
out=$(mktemp)
trap 'rm -rf "$tree" "$out"' EXIT
failures=0

clean() {
    rm -rf "${tree:?}"/* "$tree/.clang-format"
    mkdir -p "$tree/src/circuit" "$tree/src/base" "$tree/src/report" "$tree/src/app" "$tree/include/tankwright" \
        "$tree/tests"
    cp "$tools/../.clang-format" "$tree/"
    cat >"$tree/include/tankwright/base.h" <<'C'
#ifndef TANKWRIGHT_BASE_H
#define TANKWRIGHT_BASE_H
#include <stddef.h>
typedef struct tw_pair {
    size_t a, b;
} tw_pair;
#endif
C
    cat >"$tree/include/tankwright/circuit.h" <<'C'
#ifndef TANKWRIGHT_CIRCUIT_H
#define TANKWRIGHT_CIRCUIT_H
#include "tankwright/base.h"
size_t tw_circuit_sum(tw_pair pair);
#endif
C
    echo '#define TW_CIRCUIT_ZERO 0' >"$tree/src/circuit/circuit_private.h"
    cat >"$tree/src/circuit/circuit_sum.c" <<'C'
#include "circuit_private.h"
#include "tankwright/circuit.h"

#include <string.h>

/* a comment may say sprintf(x), malloc(3) and printf */
size_t tw_circuit_sum(tw_pair pair) {
    return pair.a + pair.b + strlen("strcpy(a, b); free(c)") + TW_CIRCUIT_ZERO;
}
C
}

run() {
    case $check in
    functions) "$tools/check-functions" "$tree" "$tree/long-functions.txt" ;;
    *) "$tools/check-$check" "$tree" ;;
    esac >"$out" 2>&1
}

# passes WHAT: the tree as it is must pass.
passes() {
    if run; then
        echo "ok: passes $1"
    else
        echo "FAILED: must pass: $1"
        cat "$out"
        failures=$((failures + 1))
    fi
}

# refuses WHAT PATTERN: the tree as it is must fail with a message that matches.
refuses() {
    status=0
    run || status=$?
    if [ $status -ne 0 ] && [ $status -ne 77 ] && grep -q -- "$2" "$out"; then
        echo "ok: refuses $1"
    else
        echo "FAILED: must be refused with '$2': $1 (status $status)"
        cat "$out"
        failures=$((failures + 1))
    fi
    clean
}

source=$tree/src/circuit/circuit_sum.c
header=$tree/include/tankwright/circuit.h
prepend() {
    printf '%s\n' "$1" | cat - "$2" >"$2.new"
    mv "$2.new" "$2"
}

clean
case $check in
layers)
    : >"$tree/long-functions.txt"
    passes "a clean tree"
    prepend '#include "tankwright/pickup.h"' "$source"
    refuses "a room that it does not know" "circuit may not include pickup"
    prepend '#  include <tankwright/study.h>' "$header"
    refuses "an upward include in a public header" "circuit may not include study"
    prepend '#include <gsl/gsl_math.h>' "$source"
    refuses "GSL outside numeric" "may not include <gsl/gsl_math.h>"
    echo '#include <plplot/plplot.h>' >"$tree/src/report/report_plot.c"
    passes "PLplot in report"
    echo '#include <libfyaml.h>' >"$tree/src/report/report_plot.c"
    refuses "libfyaml in report" "may not include <libfyaml.h>"
    prepend '#include <somewhere/new.h>' "$source"
    refuses "an unknown library" "not known to tools/layers.txt"
    echo '#include "circuit_private.h"' >"$tree/src/app/app_main.c"
    refuses "another room's private header" "no private header src/app/circuit_private.h"
    echo '#include "../circuit/circuit_private.h"' >"$tree/src/app/app_main.c"
    refuses "a path into another room" "by their bare name"
    prepend '#include "circuit_private.h"' "$header"
    refuses "a private header in a public one" "includes the private file"
    prepend '#include "tankwright/tankwright.h"' "$source"
    refuses "the umbrella header in a room" "umbrella"
    mkdir "$tree/src/attic"
    echo '#include <stdio.h>' >"$tree/src/attic/attic.c"
    refuses "a room that is not in the table" "attic does not stand"
    ;;
bans)
    passes "a clean tree, with the words in comments and strings"
    for use in 'sprintf(text, "x")' 'strcpy(a, b)' 'strcat(a, b)' 'strncpy(a, b, 3)' 'strtok(a, b)' 'atoi(a)' \
        'atof(a)' 'gets(a)' 'rand()' 'strtod(a, NULL)' 'strtol(a, NULL, 10)' 'malloc(3)' 'calloc(1, 3)' \
        'realloc(a, 3)' 'free (a)' 'printf("x")' 'exit(1)' 'getenv("HOME")'; do
        echo "void tw_circuit_bad(void) { $use; }" >>"$source"
        refuses "$use" "circuit_sum.c:10: ${use%%[ (]*}"
    done
    echo 'int tw_circuit_bad(void) { return fputs("x", stderr); }' >>"$source"
    refuses "the standard streams" "stderr"
    echo 'void tw_test(void) { strcpy(a, b); }' >"$tree/tests/test_bad.c"
    refuses "strcpy in a test" "test_bad.c:1: strcpy"
    echo 'void tw_test(void) { free(malloc(3)); }' >"$tree/tests/test_good.c"
    echo 'void tw_base(void) { free(malloc(3)); }' >"$tree/src/base/base_memory.c"
    echo 'void tw_app(void) { printf("x"); }' >"$tree/src/app/app_main.c"
    printf '/* allow free: the library gave it */\nvoid tw_circuit_a(void) { free(a); }\n' >>"$source"
    echo 'void tw_circuit_b(void) { o.free(a); o->free(a); free_all(a); }' >>"$source"
    passes "base, tests, app, members and a written exception"
    clean
    printf '/* allow free: the library gave it */\nint tw_circuit_a;\n' >>"$source"
    refuses "an exception that nothing needs" "nothing here needs"
    printf '/* allow free: the library gave it */\n\n\nvoid tw_circuit_a(void) { free(a); }\n' >>"$source"
    refuses "an exception too far away" "circuit_sum.c:13: free"
    ;;
format)
    passes "a clean tree"
    echo 'int tw_circuit_x ;' >>"$source"
    refuses "a space too many" "circuit_sum.c:10"
    ;;
headers)
    passes "a clean tree"
    echo '#define TW_BASE 1' >"$tree/include/tankwright/base.h"
    refuses "a header that misses an include" "does not compile alone with gcc"
    echo 'typedef struct tw_twice { int a; } tw_twice;' >"$tree/include/tankwright/circuit.h"
    refuses "a header without a guard" "does not compile alone with clang"
    echo '#include "tankwright/base.h"' >"$tree/include/tankwright/tankwright.h"
    refuses "an umbrella with a hole" "does not include tankwright/circuit.h"
    rm -f "$tree/include/tankwright/tankwright.h"
    ;;
functions)
    : >"$tree/long-functions.txt"
    passes "a clean tree"
    long() {
        echo "static int"
        echo "long_one(int a,"
        echo "         int b) {"
        i=1
        while [ $i -lt "$1" ]; do
            echo "    a += b;"
            i=$((i + 1))
        done
        echo "}"
    }
    : >"$tree/long-functions.txt"
    long 119 >>"$source"
    refuses "121 lines and a two-line head" "long_one: 121 lines"
    long 116 >>"$source"
    : >"$tree/long-functions.txt"
    passes "119 lines"
    long 119 >>"$source"
    echo 'src/circuit/circuit_sum.c:long_one one table' >"$tree/long-functions.txt"
    passes "a long function with a reason"
    echo 'src/circuit/circuit_sum.c:long_one' >"$tree/long-functions.txt"
    refuses "an entry without a reason" "and a reason"
    echo 'src/circuit/circuit_sum.c:tw_circuit_sum one table' >"$tree/long-functions.txt"
    refuses "an entry that is not needed" "take the entry out"
    ;;
marks)
    passes "a clean tree"
    for text in 'TO''DO: later' 'FIX''ME' '/ro''ot/build' '/ho''me/someone/tw' 'deb.deb''ian.org' \
        'registry.npm''js.org'; do
        echo "/* $text */" >>"$source"
        refuses "$text" "circuit_sum.c:10"
    done
    ;;
state)
    export TW_STATE_LIST="$tree/mutable-state.txt"
    run() {
        cc -c -fPIC "$tree/state.c" -o "$tree/state.c.o" && rm -f "$tree/state.a" &&
            ar rc "$tree/state.a" "$tree/state.c.o" && "$tools/check-state" "$tree/state.a"
    } >"$out" 2>&1
    : >"$TW_STATE_LIST"
    echo 'static const char *const NAMES[] = {"a", "b"}; const char *name(int i) { return NAMES[i]; }' >"$tree/state.c"
    passes "constant tables"
    echo 'int next(void) { static int n; return ++n; }' >"$tree/state.c"
    echo 'state:n a counter' >"$TW_STATE_LIST"
    passes "a static with a written reason"
    : >"$TW_STATE_LIST"
    refuses "a zeroed static" "state:n: mutable"
    : >"$TW_STATE_LIST"
    echo 'static int count = 3; int next(void) { return ++count; }' >"$tree/state.c"
    refuses "a set static" "state:count: mutable"
    : >"$TW_STATE_LIST"
    echo 'int shared;' >"$tree/state.c"
    refuses "a global" "state:shared: mutable"
    echo 'int three(void) { return 3; }' >"$tree/state.c"
    echo 'state:n a counter' >"$TW_STATE_LIST"
    refuses "a reason without a variable" "take the entry out"
    ;;
links)
    mkdir -p "$tree/docs"
    echo 'See [the page](docs/page.md#part) and [outside](https://example.org/x).' >"$tree/README.md"
    echo 'Back to [start](../README.md).' >"$tree/docs/page.md"
    passes "links that lead somewhere"
    echo 'See [the page](docs/gone.md).' >"$tree/README.md"
    refuses "a link to a missing page" "README.md:1: docs/gone.md"
    ;;
*)
    echo "selftest: unknown check '$check'" >&2
    exit 2
    ;;
esac
exit $((failures > 0))
