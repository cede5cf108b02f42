/* See opponent.py. */
#include "common.h"

#define SUM 0.5773502691896258f
#define DIFFERENCE 0.7071067811865475f
#define SECOND 0.4082482904638631f

FAST static void blend_lines(const float *RESTRICT upper, const float *RESTRICT lower, float share,
                             Py_ssize_t count, float *RESTRICT line)
{
    for (Py_ssize_t i = 0; i < count; i++)
        line[i] = upper[i] + (lower[i] - upper[i]) * share;
}

INLINE void enlarge(const float *line, const int32_t *columns, const float *shares, int count, Planes *added)
{
    for (int i = 0; i < count; i++) {
        const float *left = line + 3 * (Py_ssize_t)columns[2 * i];
        const float *right = line + 3 * (Py_ssize_t)columns[2 * i + 1];
        added->red[i] = left[0] + (right[0] - left[0]) * shares[i];
        added->green[i] = left[1] + (right[1] - left[1]) * shares[i];
        added->blue[i] = left[2] + (right[2] - left[2]) * shares[i];
    }
}

FAST static void part_row(const float *light, const float *line, const int32_t *columns, const float *shares,
                          Py_ssize_t width, float *sum, float *difference, float *second)
{
    Planes in = {{0}, {0}, {0}}, added = {{0}, {0}, {0}}, out;
    for (Py_ssize_t done = 0; done < width; done += BLOCK) {
        int count = width - done < BLOCK ? (int)(width - done) : BLOCK;
        take_apart(light + 3 * done, count, &in);
        enlarge(line, columns + 2 * done, shares + done, count, &added);
        for (int i = 0; i < BLOCK; i++) {
            float red = in.red[i] + added.red[i], green = in.green[i] + added.green[i];
            float blue = in.blue[i] + added.blue[i];
            out.red[i] = (red + green + blue) * SUM;
            out.green[i] = (red - blue) * DIFFERENCE;
            out.blue[i] = (red + blue - (green + green)) * SECOND;
        }
        memcpy(sum + done, out.red, (size_t)count * sizeof(float));
        memcpy(difference + done, out.green, (size_t)count * sizeof(float));
        memcpy(second + done, out.blue, (size_t)count * sizeof(float));
    }
}

static const Argument part_arguments[] = {
    {"light", 'f', 0, 3, {-1, -2, 3}}, {"coarse", 'f', 0, 3, {-3, -4, 3}}, {"rows", 'i', 0, 2, {-1, 2}},
    {"row_shares", 'f', 0, 1, {-1}},   {"columns", 'i', 0, 2, {-2, 2}},    {"column_shares", 'f', 0, 1, {-2}},
    {"planes", 'f', 1, 3, {3, -1, -2}}};

static int lie_inside(const int32_t *places, Py_ssize_t count, Py_ssize_t length)
{
    for (Py_ssize_t i = 0; i < count; i++)
        if (places[i] < 0 || places[i] >= length)
            return 0;
    return 1;
}

PyObject *part_planes_kernel(PyObject *self, PyObject *args)
{
    Arrays arrays;
    (void)self;
    if (open_only_arrays(args, part_arguments, 7, &arrays) < 0)
        return NULL;
    Py_ssize_t count = arrays.length[0], width = arrays.length[1], small = 3 * arrays.length[3];
    const float *light = arrays.view[0].buf, *coarse = arrays.view[1].buf, *row_shares = arrays.view[3].buf;
    const int32_t *rows = arrays.view[2].buf, *columns = arrays.view[4].buf;
    float *planes = arrays.view[6].buf, *line = PyMem_Malloc((size_t)(small + 1) * sizeof(float));
    int inside = lie_inside(rows, 2 * count, arrays.length[2]) && lie_inside(columns, 2 * width, arrays.length[3]);
    if (line && inside) {
        Py_BEGIN_ALLOW_THREADS
        for (Py_ssize_t row = 0; row < count; row++) {
            blend_lines(coarse + small * rows[2 * row], coarse + small * rows[2 * row + 1], row_shares[row], small,
                        line);
            float *to = planes + row * width;
            part_row(light + 3 * row * width, line, columns, arrays.view[5].buf, width, to, to + count * width,
                     to + 2 * count * width);
        }
        Py_END_ALLOW_THREADS
    }
    return end_kernel(&arrays, line, inside ? NULL : "rows, columns: not all in the coarse picture");
}

FAST static void join(const float *RESTRICT sum, const float *RESTRICT difference, const float *RESTRICT third,
                      Py_ssize_t count, float *RESTRICT light)
{
    for (Py_ssize_t i = 0; i < count; i++) {
        float grey = sum[i] * SUM, first = difference[i] * DIFFERENCE, second = third[i] * SECOND;
        light[3 * i] = grey + first + second;
        light[3 * i + 1] = grey - (second + second);
        light[3 * i + 2] = grey - first + second;
    }
}

static const Argument join_arguments[] = {{"planes", 'f', 0, 3, {3, -1, -2}}, {"light", 'f', 1, 3, {-1, -2, 3}}};

PyObject *join_planes_kernel(PyObject *self, PyObject *args)
{
    Arrays arrays;
    (void)self;
    if (open_only_arrays(args, join_arguments, 2, &arrays) < 0)
        return NULL;
    Py_ssize_t count = arrays.length[0] * arrays.length[1];
    const float *planes = arrays.view[0].buf;
    Py_BEGIN_ALLOW_THREADS
    join(planes, planes + count, planes + 2 * count, count, arrays.view[1].buf);
    Py_END_ALLOW_THREADS
    close_arrays(&arrays);
    Py_RETURN_NONE;
}
