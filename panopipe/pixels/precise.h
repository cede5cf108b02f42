/* Logarithm and exponential of double precision; see precise.py. */
#ifndef PANOPIPE_PRECISE_H
#define PANOPIPE_PRECISE_H

#include "common.h"

#define LN2 0.69314718055994530942
#define PER_LN2 (1.0 / LN2)
#define HALF_ROOT 0.70710678118654752440
#define WHOLES 4503599627370496.0   /* 2^52: the bits of a whole number below it are its last bits */
#define ROUNDER 6755399441055744.0  /* 1.5 * 2^52: a small number added to it leaves the whole number next to it */

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

INLINE int64_t bits_of_double(double x)
{
    int64_t bits;
    memcpy(&bits, &x, 8);
    return bits;
}

INLINE double double_of(int64_t bits)
{
    double x;
    memcpy(&x, &bits, 8);
    return x;
}

/* Without branches or numbers that vectors have no instruction for: loops over these become vectors. */
INLINE double log_of(double x)
{
    int64_t bits = bits_of_double(x);
    double exponent = double_of(((bits >> 52) & 0x7ff) | bits_of_double(WHOLES)) - WHOLES - 1022;
    double part = double_of((bits & 0x800fffffffffffff) | 0x3fe0000000000000);
    int is_low = part < HALF_ROOT;
    double s;
    part = is_low ? part + part : part;
    exponent = is_low ? exponent - 1 : exponent;
    s = (part - 1) / (part + 1);
    return exponent * LN2 + (s + s) * polynomial(LOG_SERIES, TERMS(LOG_SERIES), s * s);
}

INLINE double exp_of(double x)
{
    x = x < -600.0 ? -600.0 : x > 600.0 ? 600.0 : x;
    double near = x * PER_LN2 + ROUNDER, whole = near - ROUNDER;
    double power = double_of((int64_t)((uint64_t)(bits_of_double(near) + 1023) << 52));
    return polynomial(EXP_SERIES, TERMS(EXP_SERIES), x - whole * LN2) * power;
}

#endif
