/* Logarithm and exponential of double precision; see precise.py. */
#ifndef PANOPIPE_PRECISE_H
#define PANOPIPE_PRECISE_H

#include "common.h"
#include <math.h>

#define LN2 0.69314718055994530942
#define PER_LN2 (1.0 / LN2)
#define HALF_ROOT 0.70710678118654752440

/* Coefficients of the two series, highest power first. */
static const double LOG_SERIES[] = {1.0 / 19, 1.0 / 17, 1.0 / 15, 1.0 / 13, 1.0 / 11,
                                    1.0 / 9,  1.0 / 7,  1.0 / 5,  1.0 / 3,  1.0};
static const double EXP_SERIES[] = {1.0 / 479001600, 1.0 / 39916800, 1.0 / 3628800, 1.0 / 362880, 1.0 / 40320,
                                    1.0 / 5040,      1.0 / 720,      1.0 / 120,     1.0 / 24,     1.0 / 6,
                                    1.0 / 2,         1.0,            1.0};
#define TERMS(series) ((int)(sizeof series / sizeof *series))

INLINE double polynomial(const double *coefficients, int count, double x)
{
    double sum = coefficients[0];
    for (int i = 1; i < count; i++)
        sum = sum * x + coefficients[i];
    return sum;
}

INLINE double log_of(double x)
{
    int64_t bits;
    double part, s;
    memcpy(&bits, &x, 8);
    int exponent = (int)((bits >> 52) & 0x7ff) - 1022;
    bits = (bits & 0x800fffffffffffff) | 0x3fe0000000000000;
    memcpy(&part, &bits, 8);
    if (part < HALF_ROOT) {
        part += part;
        exponent -= 1;
    }
    s = (part - 1) / (part + 1);
    return exponent * LN2 + (s + s) * polynomial(LOG_SERIES, TERMS(LOG_SERIES), s * s);
}

INLINE double exp_of(double x)
{
    x = x < -600.0 ? -600.0 : x > 600.0 ? 600.0 : x;
    double whole = rint(x * PER_LN2), power;
    int64_t bits = ((int64_t)whole + 1023) << 52;
    memcpy(&power, &bits, 8);
    return polynomial(EXP_SERIES, TERMS(EXP_SERIES), x - whole * LN2) * power;
}

#endif
