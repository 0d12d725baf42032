/* Balancing of a real matrix: isolated eigenvalues are permuted to the ends, the rest is scaled by powers of two until
 * row and column have like sizes (B. N. Parlett & C. Reinsch, in Wilkinson & Reinsch, Handbook II, 1971, II/11,
 * procedure balance). Exact in floating point; essential for circuit matrices, whose elements spread over many decades.
 */
#include "numeric_private.h"

#include <math.h>

static void exchange(size_t n, double *a, size_t i, size_t j) {
    if (i == j) {
        return;
    }
    for (size_t k = 0; k < n; k++) {
        const double t = a[k * n + i];
        a[k * n + i] = a[k * n + j];
        a[k * n + j] = t;
    }
    for (size_t k = 0; k < n; k++) {
        const double t = a[i * n + k];
        a[i * n + k] = a[j * n + k];
        a[j * n + k] = t;
    }
}

/* Is row (step = 1) or column (step = n) `at` of the active block zero beside the diagonal? */
static bool isolated(const double *line, size_t step, size_t low, size_t high, size_t at) {
    for (size_t k = low; k <= high; k++) {
        if (k != at && line[k * step] != 0.0) {
            return false;
        }
    }
    return true;
}

/* One row pushed to the bottom; false where none is isolated. */
static bool push_row(size_t n, double *a, tw_balance *b) {
    for (size_t j = b->high + 1; j-- > b->low;) {
        if (isolated(a + j * n, 1, b->low, b->high, j)) {
            b->scale[b->high] = (double)j;
            exchange(n, a, j, b->high);
            b->high--;
            return true;
        }
    }
    return false;
}

static bool push_column(size_t n, double *a, tw_balance *b) {
    for (size_t j = b->low; j <= b->high; j++) {
        if (isolated(a + j, n, b->low, b->high, j)) {
            b->scale[b->low] = (double)j;
            exchange(n, a, j, b->low);
            b->low++;
            return true;
        }
    }
    return false;
}

/* Scales row and column i once; true where that gained at least five per cent. */
static bool scale_one(size_t n, double *a, tw_balance *b, size_t i) {
    double c = 0.0, r = 0.0;
    for (size_t k = b->low; k <= b->high; k++) {
        if (k != i) {
            c += fabs(a[k * n + i]);
            r += fabs(a[i * n + k]);
        }
    }
    if (c == 0.0 || r == 0.0) {
        return false;
    }
    int er, ec;
    (void)frexp(r, &er);
    (void)frexp(c, &ec);
    const int e = (er - ec) / 2;
    if (e == 0) {
        return false;
    }
    const double f = ldexp(1.0, e), inverse = ldexp(1.0, -e);
    if (!(c * f + r * inverse < 0.95 * (c + r))) {
        return false;
    }
    b->scale[i] *= f;
    for (size_t k = 0; k < n; k++) {
        a[i * n + k] *= inverse;
    }
    for (size_t k = 0; k < n; k++) {
        a[k * n + i] *= f;
    }
    return true;
}

void tw_numeric__balance(size_t n, double *a, tw_balance *b) {
    b->low = 0;
    b->high = n - 1;
    while (b->high > b->low && push_row(n, a, b)) {
    }
    while (b->high > b->low && push_column(n, a, b)) {
    }
    for (size_t i = b->low; i <= b->high; i++) {
        b->scale[i] = 1.0;
    }
    bool again = true;
    for (int round = 0; again && round < 100; round++) {
        again = false;
        for (size_t i = b->low; i <= b->high; i++) {
            again |= scale_one(n, a, b, i);
        }
    }
}

static void swap_rows(size_t n, double *v, size_t i, size_t j) {
    for (size_t k = 0; i != j && k < n; k++) {
        const double t = v[i * n + k];
        v[i * n + k] = v[j * n + k];
        v[j * n + k] = t;
    }
}

static void swap_columns(size_t n, double *v, size_t i, size_t j) {
    for (size_t k = 0; i != j && k < n; k++) {
        const double t = v[k * n + i];
        v[k * n + i] = v[k * n + j];
        v[k * n + j] = t;
    }
}

void tw_numeric__unbalance_rows(size_t n, const tw_balance *b, double *v) {
    for (size_t i = b->low; i <= b->high; i++) {
        for (size_t k = 0; k < n; k++) {
            v[i * n + k] *= b->scale[i];
        }
    }
    for (size_t i = b->low; i-- > 0;) {
        swap_rows(n, v, i, (size_t)b->scale[i]);
    }
    for (size_t i = b->high + 1; i < n; i++) {
        swap_rows(n, v, i, (size_t)b->scale[i]);
    }
}

void tw_numeric__unbalance_columns(size_t n, const tw_balance *b, double *w) {
    for (size_t i = b->low; i <= b->high; i++) {
        const double inverse = 1.0 / b->scale[i];
        for (size_t k = 0; k < n; k++) {
            w[k * n + i] *= inverse;
        }
    }
    for (size_t i = b->low; i-- > 0;) {
        swap_columns(n, w, i, (size_t)b->scale[i]);
    }
    for (size_t i = b->high + 1; i < n; i++) {
        swap_columns(n, w, i, (size_t)b->scale[i]);
    }
}
