/* Light as a lightness and two colour differences, see opponent.py. */
#ifndef PANOPIPE_OPPONENT_H
#define PANOPIPE_OPPONENT_H

#include "common.h"

#define SUM 0.5773502691896258f
#define DIFFERENCE 0.7071067811865475f
#define SECOND 0.4082482904638631f

INLINE int lie_inside(const int32_t *places, Py_ssize_t count, Py_ssize_t length)
{
    for (Py_ssize_t i = 0; i < count; i++)
        if (places[i] < 0 || places[i] >= length)
            return 0;
    return 1;
}

INLINE void add_between(const float *RESTRICT own, const float *RESTRICT upper, const float *RESTRICT lower,
                        float share, int count, float *RESTRICT out)
{
    for (int i = 0; i < count; i++)
        out[i] = own[i] + (upper[i] + (lower[i] - upper[i]) * share);
}

/* Pixels as planes, and what lies between two rows of others added, each as long as there are pixels. */
INLINE void part_pixels(const float *light, float *const *upper, float *const *lower, float share, Py_ssize_t width,
                        float *const *planes)
{
    Planes in = {{0}, {0}, {0}}, out;
    for (Py_ssize_t done = 0; done < width; done += BLOCK) {
        int count = width - done < BLOCK ? (int)(width - done) : BLOCK;
        take_apart(light + 3 * done, count, &in);
        for (int i = 0; i < BLOCK; i++) {
            float red = in.red[i], green = in.green[i], blue = in.blue[i];
            out.red[i] = (red + green + blue) * SUM;
            out.green[i] = (red - blue) * DIFFERENCE;
            out.blue[i] = (red + blue - (green + green)) * SECOND;
        }
        const float *own[3] = {out.red, out.green, out.blue};
        for (int plane = 0; plane < 3; plane++)
            add_between(own[plane], upper[plane] + done, lower[plane] + done, share, count,
                        planes[plane] + done);
    }
}

INLINE void join_pixels(const float *RESTRICT sum, const float *RESTRICT difference, const float *RESTRICT third,
                        Py_ssize_t count, float *RESTRICT light)
{
    for (Py_ssize_t i = 0; i < count; i++) {
        float grey = sum[i] * SUM, first = difference[i] * DIFFERENCE, second = third[i] * SECOND;
        light[3 * i] = grey + first + second;
        light[3 * i + 1] = grey - (second + second);
        light[3 * i + 2] = grey - first + second;
    }
}

#endif
