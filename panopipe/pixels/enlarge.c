/* See enlarge.py. Worked on in tiles of columns, plane by plane, all rows of a tile at once. The columns of an
   enlarged row stand apart, even ones before odd ones: so all loops run over neighbours. */
#include "common.h"
#include <stdlib.h>

#define ROUNDS 3
#define MARGIN (1 + 2 * ROUNDS)
#define TILE 128
#define STRIDE (TILE + 2 * MARGIN)

static const float gains[ROUNDS] = {3.0f, 1.5f, 1.0f};

/* A plane of a tile: `light` and what is missing row by row; bounds too; the enlarged rows, even and odd columns. */
typedef struct {
    Py_ssize_t rows;
    float *light, *missing, *lowest, *highest, *even, *odd;
} Tile;

typedef struct {
    float even[STRIDE], odd[STRIDE];
} Line;

INLINE void stretch_along(const float *RESTRICT row, Py_ssize_t from, Py_ssize_t to, Line *RESTRICT line)
{
    for (Py_ssize_t i = from; i < to; i++) {
        float middle = row[i] * 0.75f;
        line->even[i] = middle + row[i - 1] * 0.25f;
        line->odd[i] = middle + row[i + 1] * 0.25f;
    }
}

INLINE void stretch_down(const float *RESTRICT near, const float *RESTRICT far, Py_ssize_t from, Py_ssize_t to,
                         float *RESTRICT out)
{
    for (Py_ssize_t i = from; i < to; i++)
        out[i] = near[i] * 0.75f + far[i] * 0.25f;
}

INLINE void put_back(const float *RESTRICT near, const float *RESTRICT far, const float *RESTRICT lowest,
                     const float *RESTRICT highest, float gain, Py_ssize_t from, Py_ssize_t to, float *RESTRICT out)
{
    for (Py_ssize_t i = from; i < to; i++) {
        float missing = near[i] * 0.75f + far[i] * 0.25f;
        out[i] = least_of(most_of(out[i] + missing * gain, lowest[i]), highest[i]);
    }
}

INLINE void reduce_down(const float *RESTRICT one, const float *RESTRICT two, const float *RESTRICT three,
                        const float *RESTRICT four, Py_ssize_t from, Py_ssize_t to, float *RESTRICT out)
{
    for (Py_ssize_t i = from; i < to; i++)
        out[i] = (one[i] + four[i]) * 0.125f + (two[i] + three[i]) * 0.375f;
}

INLINE void find_missing(const float *RESTRICT light, const Line *RESTRICT line, Py_ssize_t from, Py_ssize_t to,
                         float *RESTRICT missing)
{
    for (Py_ssize_t i = from; i < to; i++)
        missing[i] = light[i] - ((line->odd[i - 1] + line->even[i + 1]) * 0.125f
                                 + (line->even[i] + line->odd[i]) * 0.375f);
}

INLINE void find_range(const float *RESTRICT above, const float *RESTRICT row, const float *RESTRICT below,
                       float *RESTRICT lowest, float *RESTRICT highest)
{
    float low[STRIDE], high[STRIDE];
    for (Py_ssize_t i = 0; i < STRIDE; i++) {
        low[i] = least_of(least_of(above[i], below[i]), row[i]);
        high[i] = most_of(most_of(above[i], below[i]), row[i]);
    }
    for (Py_ssize_t i = 1; i < STRIDE - 1; i++) {
        lowest[i] = least_of(least_of(low[i - 1], low[i + 1]), low[i]);
        highest[i] = most_of(most_of(high[i - 1], high[i + 1]), high[i]);
    }
}

FAST static void begin(const Tile *tile)
{
    Line lines[3];
    stretch_along(tile->light, 1, STRIDE - 1, &lines[0]);
    stretch_along(tile->light + STRIDE, 1, STRIDE - 1, &lines[1]);
    for (Py_ssize_t row = 1; row < tile->rows - 1; row++) {
        const float *light = tile->light + row * STRIDE;
        const Line *above = &lines[(row - 1) % 3], *here = &lines[row % 3], *below = &lines[(row + 1) % 3];
        stretch_along(light + STRIDE, 1, STRIDE - 1, &lines[(row + 1) % 3]);
        find_range(light - STRIDE, light, light + STRIDE, tile->lowest + row * STRIDE, tile->highest + row * STRIDE);
        float *even = tile->even + 2 * row * STRIDE, *odd = tile->odd + 2 * row * STRIDE;
        stretch_down(here->even, above->even, 1, STRIDE - 1, even);
        stretch_down(here->odd, above->odd, 1, STRIDE - 1, odd);
        stretch_down(here->even, below->even, 1, STRIDE - 1, even + STRIDE);
        stretch_down(here->odd, below->odd, 1, STRIDE - 1, odd + STRIDE);
    }
}

FAST static void look_for_missing(const Tile *tile, Py_ssize_t edge)
{
    Line line;
    for (Py_ssize_t row = edge; row < tile->rows - edge; row++) {
        const float *even = tile->even + 2 * row * STRIDE, *odd = tile->odd + 2 * row * STRIDE;
        reduce_down(even - STRIDE, even, even + STRIDE, even + 2 * STRIDE, edge - 1, STRIDE - edge + 1, line.even);
        reduce_down(odd - STRIDE, odd, odd + STRIDE, odd + 2 * STRIDE, edge - 1, STRIDE - edge + 1, line.odd);
        find_missing(tile->light + row * STRIDE, &line, edge, STRIDE - edge, tile->missing + row * STRIDE);
    }
}

FAST static void put_back_missing(const Tile *tile, float gain, Py_ssize_t edge)
{
    Line lines[3];
    Py_ssize_t end = STRIDE - edge;
    stretch_along(tile->missing + (edge - 1) * STRIDE, edge, end, &lines[(edge - 1) % 3]);
    stretch_along(tile->missing + edge * STRIDE, edge, end, &lines[edge % 3]);
    for (Py_ssize_t row = edge; row < tile->rows - edge; row++) {
        const Line *above = &lines[(row - 1) % 3], *here = &lines[row % 3], *below = &lines[(row + 1) % 3];
        stretch_along(tile->missing + (row + 1) * STRIDE, edge, end, &lines[(row + 1) % 3]);
        const float *lowest = tile->lowest + row * STRIDE, *highest = tile->highest + row * STRIDE;
        float *even = tile->even + 2 * row * STRIDE, *odd = tile->odd + 2 * row * STRIDE;
        put_back(here->even, above->even, lowest, highest, gain, edge, end, even);
        put_back(here->odd, above->odd, lowest, highest, gain, edge, end, odd);
        put_back(here->even, below->even, lowest, highest, gain, edge, end, even + STRIDE);
        put_back(here->odd, below->odd, lowest, highest, gain, edge, end, odd + STRIDE);
    }
}

static void take_plane(const Tile *tile, const float *light, Py_ssize_t width, Py_ssize_t first)
{
    Py_ssize_t start = ((first - MARGIN) % width + width) % width;
    for (Py_ssize_t row = 0; row < tile->rows; row++) {
        const float *from = light + 3 * row * width;
        float *to = tile->light + row * STRIDE;
        for (Py_ssize_t i = 0, column = start; i < STRIDE; i++) {
            to[i] = from[3 * column];
            column = column + 1 == width ? 0 : column + 1;
        }
    }
}

static void give_plane(const Tile *tile, Py_ssize_t width, Py_ssize_t first, Py_ssize_t count, float *out)
{
    for (Py_ssize_t row = 0; row < 2 * (tile->rows - 2 * MARGIN); row++) {
        const float *even = tile->even + (row + 2 * MARGIN) * STRIDE + MARGIN;
        const float *odd = tile->odd + (row + 2 * MARGIN) * STRIDE + MARGIN;
        float *to = out + 6 * (row * width + first);
        for (Py_ssize_t i = 0; i < count; i++) {
            to[6 * i] = even[i];
            to[6 * i + 3] = odd[i];
        }
    }
}

static void work_on(const Tile *tile, const float *light, Py_ssize_t width, float *out)
{
    for (Py_ssize_t first = 0; first < width; first += TILE)
        for (int plane = 0; plane < 3; plane++) {
            take_plane(tile, light + plane, width, first);
            begin(tile);
            for (int round = 0; round < ROUNDS; round++) {
                look_for_missing(tile, 2 + 2 * round);
                put_back_missing(tile, gains[round], 3 + 2 * round);
            }
            give_plane(tile, width, first, width - first < TILE ? width - first : TILE, out + plane);
        }
}

static const Argument arguments[] = {{"light", 'f', 0, 3, {-1, -2, 3}}, {"out", 'f', 1, 3, {-3, -4, 3}}};

PyObject *enlarge_kernel(PyObject *self, PyObject *args)
{
    Arrays arrays;
    (void)self;
    if (open_only_arrays(args, arguments, 2, &arrays) < 0)
        return NULL;
    Py_ssize_t rows = arrays.length[0], width = arrays.length[1], plane = rows * STRIDE;
    int fits = width > 0 && arrays.length[2] == 2 * (rows - 2 * MARGIN) && arrays.length[3] == 2 * width;
    float *memory = PyMem_Calloc((size_t)(8 * plane + 1), sizeof(float));
    if (memory && fits) {
        Tile tile = {rows, memory, memory + plane, memory + 2 * plane, memory + 3 * plane, memory + 4 * plane,
                     memory + 6 * plane};
        Py_BEGIN_ALLOW_THREADS
        work_on(&tile, arrays.view[0].buf, width, arrays.view[1].buf);
        Py_END_ALLOW_THREADS
    }
    return end_kernel(&arrays, memory, fits ? NULL : "out: not twice the rows and columns of the light");
}
