/* See field.py. */
#include "common.h"

typedef struct {
    Py_ssize_t height, width;
    const double *right_side, *weight, *right, *down;
    double *field, *left, *way, *pull, *diagonal, *along, *columns;
} Field;

INLINE void flow_along(const double *RESTRICT field, const double *RESTRICT right, Py_ssize_t width,
                       double *RESTRICT along)
{
    for (Py_ssize_t i = 0; i < width - 1; i++)
        along[i + 1] = (field[i + 1] - field[i]) * right[i];
    along[0] = along[width] = (field[0] - field[width - 1]) * right[width - 1];
}

INLINE void add_flow(const double *RESTRICT one, const double *RESTRICT other, const double *RESTRICT links,
                     Py_ssize_t width, double sign, double *RESTRICT out)
{
    for (Py_ssize_t i = 0; i < width; i++)
        out[i] += sign * ((other[i] - one[i]) * links[i]);
}

/* What flows out of each cell of some values, and what it holds itself. */
FAST static void apply(const Field *it, const double *values, double *out)
{
    Py_ssize_t width = it->width;
    for (Py_ssize_t row = 0; row < it->height; row++) {
        const double *here = values + row * width, *weight = it->weight + row * width;
        const double *RESTRICT along = it->along;
        double *RESTRICT to = out + row * width;
        flow_along(here, it->right + row * width, width, it->along);
        for (Py_ssize_t i = 0; i < width; i++)
            to[i] = along[i] - along[i + 1];
        if (row > 0)
            add_flow(here - width, here, it->down + (row - 1) * width, width, 1.0, to);
        if (row < it->height - 1)
            add_flow(here, here + width, it->down + row * width, width, -1.0, to);
        for (Py_ssize_t i = 0; i < width; i++)
            to[i] += weight[i] * here[i];
    }
}

INLINE double total_of(const double *columns, Py_ssize_t width)
{
    double total = columns[0];
    for (Py_ssize_t i = 1; i < width; i++)
        total += columns[i];
    return total;
}

FAST static double product(const Field *it, const double *one, const double *other)
{
    double *RESTRICT columns = it->columns;
    for (Py_ssize_t i = 0; i < it->width; i++)
        columns[i] = one[i] * other[i];
    for (Py_ssize_t row = 1; row < it->height; row++) {
        const double *RESTRICT a = one + row * it->width, *RESTRICT b = other + row * it->width;
        for (Py_ssize_t i = 0; i < it->width; i++)
            columns[i] += a[i] * b[i];
    }
    return total_of(columns, it->width);
}

/* The sum of left * (left / diagonal). */
FAST static double size_of(const Field *it)
{
    double *RESTRICT columns = it->columns;
    for (Py_ssize_t row = 0; row < it->height; row++) {
        const double *RESTRICT left = it->left + row * it->width, *RESTRICT by = it->diagonal + row * it->width;
        if (row == 0)
            for (Py_ssize_t i = 0; i < it->width; i++)
                columns[i] = left[i] * (left[i] / by[i]);
        else
            for (Py_ssize_t i = 0; i < it->width; i++)
                columns[i] += left[i] * (left[i] / by[i]);
    }
    return total_of(columns, it->width);
}

FAST static void set_diagonal(const Field *it)
{
    Py_ssize_t width = it->width;
    for (Py_ssize_t row = 0; row < it->height; row++) {
        const double *weight = it->weight + row * width, *right = it->right + row * width;
        double *to = it->diagonal + row * width;
        for (Py_ssize_t i = 0; i < width; i++)
            to[i] = weight[i] + right[i] + right[i ? i - 1 : width - 1];
        if (row < it->height - 1)
            for (Py_ssize_t i = 0; i < width; i++)
                to[i] += it->down[row * width + i];
        if (row > 0)
            for (Py_ssize_t i = 0; i < width; i++)
                to[i] += it->down[(row - 1) * width + i];
    }
}

FAST static void add_part(const double *RESTRICT from, double part, Py_ssize_t count, double *RESTRICT to)
{
    for (Py_ssize_t i = 0; i < count; i++)
        to[i] += part * from[i];
}

FAST static void take_part(const double *RESTRICT from, double part, Py_ssize_t count, double *RESTRICT to)
{
    for (Py_ssize_t i = 0; i < count; i++)
        to[i] -= part * from[i];
}

FAST static void turn_way(const Field *it, double part)
{
    const double *RESTRICT left = it->left, *RESTRICT by = it->diagonal;
    double *RESTRICT way = it->way;
    for (Py_ssize_t i = 0; i < it->height * it->width; i++)
        way[i] = way[i] * part + left[i] / by[i];
}

static void search(const Field *it, double enough, Py_ssize_t most)
{
    Py_ssize_t count = it->height * it->width;
    set_diagonal(it);
    memcpy(it->left, it->right_side, (size_t)count * sizeof(double));
    double least = enough * enough * size_of(it);
    apply(it, it->field, it->pull);
    for (Py_ssize_t i = 0; i < count; i++)
        it->left[i] = it->right_side[i] - it->pull[i];
    memset(it->way, 0, (size_t)count * sizeof(double));
    turn_way(it, 0.0);
    double size = size_of(it);
    for (Py_ssize_t step = 0; step < most && !(size <= least); step++) {
        apply(it, it->way, it->pull);
        double part = size / product(it, it->way, it->pull), before = size;
        add_part(it->way, part, count, it->field);
        take_part(it->pull, part, count, it->left);
        size = size_of(it);
        turn_way(it, size / before);
    }
}

static const Argument arguments[] = {{"right_side", 'd', 0, 2, {-1, -2}}, {"weight", 'd', 0, 2, {-1, -2}},
                                     {"right", 'd', 0, 2, {-1, -2}},      {"down", 'd', 0, 2, {-3, -2}},
                                     {"field", 'd', 1, 2, {-1, -2}}};

PyObject *solve_field_kernel(PyObject *self, PyObject *args)
{
    PyObject *given[5];
    Arrays arrays;
    double enough, *memory;
    Py_ssize_t most;
    (void)self;
    if (!PyArg_ParseTuple(args, "OOOOOdn", &given[0], &given[1], &given[2], &given[3], &given[4], &enough, &most)
        || open_arrays(given, arguments, 5, &arrays) < 0)
        return NULL;
    Py_ssize_t height = arrays.length[0], width = arrays.length[1], count = height * width;
    int fits = height > 0 && width > 0 && arrays.length[2] == height - 1;
    memory = PyMem_Malloc((size_t)(4 * count + 2 * width + 1) * sizeof(double));
    if (memory && fits) {
        Field it = {height,
                    width,
                    arrays.view[0].buf,
                    arrays.view[1].buf,
                    arrays.view[2].buf,
                    arrays.view[3].buf,
                    arrays.view[4].buf,
                    memory,
                    memory + count,
                    memory + 2 * count,
                    memory + 3 * count,
                    memory + 4 * count,
                    memory + 4 * count + width + 1};
        Py_BEGIN_ALLOW_THREADS
        search(&it, enough, most);
        Py_END_ALLOW_THREADS
    }
    return end_kernel(&arrays, memory, fits ? NULL : "down: not one row less than the others");
}
