/* See opponent.py. */
#include "opponent.h"

/* A row of the coarse planes, as wide as the light. */
typedef struct {
    int32_t row;
    float *plane[3];
} Wide;

typedef struct {
    const float *coarse, *shares;
    const int32_t *columns;
    Py_ssize_t plane_size, narrow, width;
} Enlarging;

static void widen(const Enlarging *by, int32_t row, Wide *wide)
{
    wide->row = row;
    for (int plane = 0; plane < 3; plane++) {
        const float *from = by->coarse + plane * by->plane_size + row * by->narrow;
        for (Py_ssize_t i = 0; i < by->width; i++) {
            float left = from[by->columns[2 * i]], right = from[by->columns[2 * i + 1]];
            wide->plane[plane][i] = left + (right - left) * by->shares[i];
        }
    }
}

/* The rows that a row lies between; most rows lie between those of the row before. */
static void widen_both(const Enlarging *by, const int32_t *rows, Wide *upper, Wide *lower)
{
    if (upper->row != rows[0] && lower->row == rows[0]) {
        Wide other = *upper;
        *upper = *lower;
        *lower = other;
    }
    if (upper->row != rows[0])
        widen(by, rows[0], upper);
    if (lower->row != rows[1])
        widen(by, rows[1], lower);
}

FAST static void part_row(const float *light, const Wide *upper, const Wide *lower, float share, Py_ssize_t width,
                          float *const *planes)
{
    part_pixels(light, upper->plane, lower->plane, share, width, planes);
}

static const Argument part_arguments[] = {
    {"light", 'f', 0, 3, {-1, -2, 3}}, {"coarse", 'f', 0, 3, {3, -3, -4}}, {"rows", 'i', 0, 2, {-1, 2}},
    {"row_shares", 'f', 0, 1, {-1}},   {"columns", 'i', 0, 2, {-2, 2}},    {"column_shares", 'f', 0, 1, {-2}},
    {"planes", 'f', 1, 3, {3, -1, -2}}};

PyObject *part_planes_kernel(PyObject *self, PyObject *args)
{
    Arrays arrays;
    (void)self;
    if (open_only_arrays(args, part_arguments, 7, &arrays) < 0)
        return NULL;
    Py_ssize_t count = arrays.length[0], width = arrays.length[1], high = arrays.length[2], narrow = arrays.length[3];
    const float *light = arrays.view[0].buf, *row_shares = arrays.view[3].buf;
    const int32_t *rows = arrays.view[2].buf, *columns = arrays.view[4].buf;
    float *planes = arrays.view[6].buf, *lines = PyMem_Malloc((size_t)(6 * width + 1) * sizeof(float));
    Enlarging by = {arrays.view[1].buf, arrays.view[5].buf, columns, high * narrow, narrow, width};
    int inside = lie_inside(rows, 2 * count, high) && lie_inside(columns, 2 * width, narrow);
    if (lines && inside) {
        Wide upper = {-1, {lines, lines + width, lines + 2 * width}};
        Wide lower = {-1, {lines + 3 * width, lines + 4 * width, lines + 5 * width}};
        Py_BEGIN_ALLOW_THREADS
        for (Py_ssize_t row = 0; row < count; row++) {
            float *to = planes + row * width, *all[3] = {to, to + count * width, to + 2 * count * width};
            widen_both(&by, rows + 2 * row, &upper, &lower);
            part_row(light + 3 * row * width, &upper, &lower, row_shares[row], width, all);
        }
        Py_END_ALLOW_THREADS
    }
    return end_kernel(&arrays, lines, inside ? NULL : "rows, columns: not all in the coarse planes");
}

FAST static void join(const float *planes, Py_ssize_t count, float *light)
{
    join_pixels(planes, planes + count, planes + 2 * count, count, light);
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
    join(planes, count, arrays.view[1].buf);
    Py_END_ALLOW_THREADS
    close_arrays(&arrays);
    Py_RETURN_NONE;
}
