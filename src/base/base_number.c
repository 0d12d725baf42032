/* Decimal text to double, correctly rounded whatever the length and the locale.
 *
 * Three ways, by effort:
 *   1. digits and power of ten both exact in binary: one rounding (W. D. Clinger, "How to read floating point numbers
 *      accurately", PLDI 1990);
 *   2. up to 19 digits: product with a power of five to 128 bits; the rare doubtful case is recognised and not decided
 *      here (D. Lemire, "Number parsing at a gigabyte per second", Software: Practice and Experience 51 (2021) 1700).
 *      Longer numbers are taken with their first 19 digits and with one unit more there: where both give the same
 *      double, so does everything between;
 *   3. else the C library's strtod_l.
 */
#include <locale.h>
#include <stdlib.h>
#include <string.h>

#include "base_powers.h"
#include "tankwright/base.h"

typedef struct decimal {
    bool negative;
    bool cut;        /* there are more digits than `digits` holds */
    uint64_t digits; /* up to 19 */
    int64_t power;   /* value = digits x 10^power */
} decimal;

enum { MOST_DIGITS = 19 };

static bool is_digit(char c) {
    return (unsigned char)(c - '0') < 10;
}

/* Digits from s[i] on; those of eight bytes at once where eight bytes are there: the first byte that is no digit is
 * found by its bits, the digits before it move to the end of the word and are summed as neighbours, pairs and fours by
 * multiplication. */
static inline size_t take_digits(const char *s, size_t i, size_t length, uint64_t *digits) {
#if defined(__BYTE_ORDER__) && __BYTE_ORDER__ == __ORDER_LITTLE_ENDIAN__
    static const uint64_t POWERS[] = {1, 10, 100, 1000, 10000, 100000, 1000000, 10000000, 100000000};
    while (i + 8 <= length) {
        uint64_t v;
        memcpy(&v, s + i, sizeof v);
        v ^= UINT64_C(0x3030303030303030); /* digits become 0 to 9 */
        const uint64_t sixes = UINT64_C(0x7676767676767676), high = UINT64_C(0x8080808080808080);
        const uint64_t other = (((v & ~high) + sixes) | v) & high; /* a high bit where there is no digit */
        const unsigned n = other == 0 ? 8 : (unsigned)__builtin_ctzll(other) / 8;
        if (n == 0) {
            return i;
        }
        v <<= 64 - 8 * n;
        v = v * 10 + (v >> 8);
        const uint64_t mask = UINT64_C(0x000000ff000000ff);
        v = ((v & mask) * UINT64_C(0x000f424000000064) + (v >> 16 & mask) * UINT64_C(0x0000271000000001)) >> 32;
        *digits = *digits * POWERS[n] + v;
        i += n;
        if (n < 8) {
            return i;
        }
    }
#endif
    for (; i < length && is_digit(s[i]); i++) {
        *digits = *digits * 10 + (uint64_t)(s[i] - '0');
    }
    return i;
}

/* Exponent at s[i]; i where none stands there. */
static size_t take_exponent(const char *s, size_t i, size_t length, int64_t *power) {
    size_t j = i + 1;
    bool minus = false;
    if (i >= length || (s[i] != 'e' && s[i] != 'E')) {
        return i;
    }
    if (j < length && (s[j] == '+' || s[j] == '-')) {
        minus = s[j] == '-';
        j++;
    }
    if (j >= length || !is_digit(s[j])) {
        return i;
    }
    int64_t e = 0;
    for (; j < length && is_digit(s[j]); j++) {
        e = e < INT64_C(1000000000000) ? e * 10 + (s[j] - '0') : e;
    }
    *power += minus ? -e : e;
    return j;
}

/* The digits again, with leading zeros left out and no more than 19 of the rest. */
static void take_first_digits(const char *s, size_t first, size_t end, decimal *d) {
    int taken = 0;
    bool after_point = false;
    d->digits = 0;
    for (size_t i = first; i < end; i++) {
        if (s[i] == '.') {
            after_point = true;
            continue;
        }
        if (taken < MOST_DIGITS) {
            d->digits = d->digits * 10 + (uint64_t)(s[i] - '0');
            taken += d->digits != 0;
            d->power -= after_point;
        } else {
            d->cut = d->cut || s[i] != '0';
            d->power += !after_point;
        }
    }
}

/* Length of the number at the start of the text, 0 where there is none. */
static inline size_t scan_number(const char *s, size_t length, decimal *d) {
    size_t i = 0;
    *d = (decimal){.negative = false};
    if (i < length && (s[i] == '+' || s[i] == '-')) {
        d->negative = s[i] == '-';
        i++;
    }
    const size_t first = i;
    for (; i < length && is_digit(s[i]); i++) { /* few in front of the point: one by one is quicker */
        d->digits = d->digits * 10 + (uint64_t)(s[i] - '0');
    }
    size_t n = i - first;
    if (i < length && s[i] == '.') {
        const size_t point = i;
        i = take_digits(s, i + 1, length, &d->digits);
        n += i - point - 1;
        d->power = -(int64_t)(i - point - 1);
    }
    if (n == 0) {
        return 0;
    }
    if (n > MOST_DIGITS) {
        d->power = 0;
        take_first_digits(s, first, i, d);
    }
    return take_exponent(s, i, length, &d->power);
}

__extension__ typedef unsigned __int128 wide;

/* digits x 10^q by the second way; false where it cannot tell or the result is not a normal double. */
static bool by_product(uint64_t digits, int64_t q, double *out) {
    if (digits == 0 || q < POWER_LEAST || q > POWER_MOST) {
        return false;
    }
    const uint64_t *five = POWERS_OF_FIVE[q - POWER_LEAST];
    const int zeros = __builtin_clzll(digits);
    const uint64_t w = digits << zeros;
    const wide first = (wide)w * five[0];
    uint64_t high = (uint64_t)(first >> 64), low = (uint64_t)first;
    const uint64_t below = UINT64_MAX >> 55; /* the bits that the 53 of the result and two for rounding leave */
    if ((high & below) == below) {
        const uint64_t carry = (uint64_t)(((wide)w * five[1]) >> 64);
        low += carry;
        high += carry > low;
    }
    if (low == UINT64_MAX && (q < -27 || q > 55)) {
        return false; /* the table's own rounding might carry */
    }
    const int upper = (int)(high >> 63);
    uint64_t mantissa = high >> (upper + 9);
    const int64_t exponent = ((INT64_C(217706) * q) >> 16) + 63 + upper - zeros + 1023; /* floor(q log2 10) */
    if (exponent <= 0 || exponent >= 2046) {
        return false;
    }
    /* exactly half way between two doubles: to the even one */
    if (low <= 1 && q >= -4 && q <= 23 && (mantissa & 3) == 1 && mantissa << (upper + 9) == high) {
        mantissa &= ~UINT64_C(1);
    }
    mantissa = (mantissa + (mantissa & 1)) >> 1;
    /* a mantissa rounded up to 2^53 adds one to the exponent by itself */
    const uint64_t bits = ((uint64_t)exponent << 52) + (mantissa - (UINT64_C(1) << 52));
    memcpy(out, &bits, sizeof *out);
    return true;
}

static bool by_library(const char *text, size_t used, double *out) {
    char copy[1100]; /* a double has at most 767 significant digits */
    if (used >= sizeof copy) {
        return false;
    }
    memcpy(copy, text, used);
    copy[used] = '\0';
    const locale_t c_locale = newlocale(LC_ALL_MASK, "C", (locale_t)0);
    if (c_locale == (locale_t)0) {
        return false;
    }
    *out = strtod_l(copy, NULL, c_locale);
    freelocale(c_locale);
    return true;
}

size_t tw_parse_number(const char *text, size_t length, double *out) {
    static const double POWERS[] = {1e0,  1e1,  1e2,  1e3,  1e4,  1e5,  1e6,  1e7,  1e8,  1e9,  1e10, 1e11,
                                    1e12, 1e13, 1e14, 1e15, 1e16, 1e17, 1e18, 1e19, 1e20, 1e21, 1e22};
    decimal d;
    const size_t used = scan_number(text, length, &d);
    if (used == 0) {
        return 0;
    }
    double v, above;
    if (!d.cut && d.digits <= UINT64_C(1) << 53 && d.power >= -22 && d.power <= 22) {
        const double digits = (double)(int64_t)d.digits; /* signed: one instruction */
        v = d.power < 0 ? digits / POWERS[-d.power] : digits * POWERS[d.power];
    } else if (!d.cut && d.digits == 0) {
        v = 0.0;
    } else if (!by_product(d.digits, d.power, &v) ||
               (d.cut && (!by_product(d.digits + 1, d.power, &above) || v != above))) {
        /* the library's result has its sign */
        return by_library(text, used, out) ? used : 0;
    }
    *out = d.negative ? -v : v;
    return used;
}
