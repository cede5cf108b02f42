/* Cube root, log2 and exp2 by roundings that every machine makes alike; see functions.py. */
#ifndef PANOPIPE_FUNCTIONS_H
#define PANOPIPE_FUNCTIONS_H

#include "common.h"

INLINE int32_t bits_of(float x)
{
    int32_t bits;
    memcpy(&bits, &x, 4);
    return bits;
}

INLINE float float_of(int32_t bits)
{
    float x;
    memcpy(&x, &bits, 4);
    return x;
}

INLINE float cube_root(float x)
{
    float size = x < 0 ? -x : x;
    float root = float_of((int32_t)((float)bits_of(size) * 0.333333343f + 709921088.0f));
    for (int round = 0; round < 2; round++) {
        float cube = root * root * root;
        root = root * ((cube + (size + size)) / ((cube + cube) + size));
    }
    return x < 0 ? -root : root;
}

INLINE float log_2(float x)
{
    int32_t bits = bits_of(x), exponent = (bits - 0x3f3504f3) >> 23;
    float part = float_of(bits - exponent * (1 << 23));
    float s = (part - 1) / (part + 1), square = s * s;
    return (float)exponent + ((0.598981500f * square + 0.961470604f) * square + 2.88539124f) * s;
}

INLINE float exp_2(float x)
{
    float near = x + 12582912.0f; /* its last bits hold the whole number next to x */
    float f = x - (near - 12582912.0f);
    float part = ((((0.00132647366f * f + 0.00967151299f) * f + 0.0555073358f) * f + 0.240222424f) * f
                  + 0.693147004f) * f + 1;
    return part * float_of((bits_of(near) - 0x4b400000 + 127) * (1 << 23));
}

#endif
