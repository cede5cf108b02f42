/* Logarithm and exponential of double precision; see precise.py. */
#ifndef PANOPIPE_PRECISE_H
#define PANOPIPE_PRECISE_H

#include "common.h"
#include <math.h>

#define LN2 0.69314718055994530942
#define PER_LN2 (1.0 / LN2)
#define HALF_ROOT 0.70710678118654752440

INLINE double log_of(double x)
{
    int64_t bits;
    double part, s, square, sum = 1.0 / 19;
    memcpy(&bits, &x, 8);
    int exponent = (int)((bits >> 52) & 0x7ff) - 1022;
    bits = (bits & 0x800fffffffffffff) | 0x3fe0000000000000;
    memcpy(&part, &bits, 8);
    if (part < HALF_ROOT) {
        part += part;
        exponent -= 1;
    }
    s = (part - 1) / (part + 1);
    square = s * s;
    sum = sum * square + 1.0 / 17;
    sum = sum * square + 1.0 / 15;
    sum = sum * square + 1.0 / 13;
    sum = sum * square + 1.0 / 11;
    sum = sum * square + 1.0 / 9;
    sum = sum * square + 1.0 / 7;
    sum = sum * square + 1.0 / 5;
    sum = sum * square + 1.0 / 3;
    sum = sum * square + 1.0;
    return exponent * LN2 + (s + s) * sum;
}

INLINE double exp_of(double x)
{
    x = x < -600.0 ? -600.0 : x > 600.0 ? 600.0 : x;
    double whole = rint(x * PER_LN2), f = x - whole * LN2, sum = 1.0 / 479001600, power;
    int64_t bits = ((int64_t)whole + 1023) << 52;
    sum = sum * f + 1.0 / 39916800;
    sum = sum * f + 1.0 / 3628800;
    sum = sum * f + 1.0 / 362880;
    sum = sum * f + 1.0 / 40320;
    sum = sum * f + 1.0 / 5040;
    sum = sum * f + 1.0 / 720;
    sum = sum * f + 1.0 / 120;
    sum = sum * f + 1.0 / 24;
    sum = sum * f + 1.0 / 6;
    sum = sum * f + 1.0 / 2;
    sum = sum * f + 1.0;
    sum = sum * f + 1.0;
    memcpy(&power, &bits, 8);
    return sum * power;
}

#endif
