/* See code.py. */
#include "gamut.h"

#define FULL 65535
#define SHIFT 7 /* one code in units of curve and grain, as a shift of bits */

typedef struct {
    float luminance[3], start, room, bend;
} Shoulder;

typedef struct {
    const float *srgb;
    const Shoulder *shoulder;
    const Line *line;
    const int16_t *curve;
    float ceiling;
} Coding;

/* Pixels of a row that sRGB cannot show; they are brought inside many at a time. */
typedef struct {
    Planes colours;
    int column[BLOCK];
    int count;
} Aside;

/* A row of the file; the frame's columns stand there `turn` further on, around the seam. */
typedef struct {
    uint8_t *row;
    int width, turn;
} Target;

INLINE int least_int(int a, int b) { return a < b ? a : b; }

INLINE int place_of(int column, Target target)
{
    int place = column + target.turn;
    return place < target.width ? place : place - target.width;
}

INLINE int index_of(float light)
{
    return (int)(most_of(least_of(light, 1), 0) * FULL + 0.5f);
}

INLINE uint8_t code_of(int value, int grain)
{
    int code = (value + grain) >> SHIFT;
    return (uint8_t)(code < 0 ? 0 : code > 255 ? 255 : code);
}

INLINE void to_srgb(const float *RESTRICT m, Planes *RESTRICT planes)
{
    for (int i = 0; i < BLOCK; i++) {
        float red = planes->red[i], green = planes->green[i], blue = planes->blue[i];
        planes->red[i] = m[0] * red + m[1] * green + m[2] * blue;
        planes->green[i] = m[3] * red + m[4] * green + m[5] * blue;
        planes->blue[i] = m[6] * red + m[7] * green + m[8] * blue;
    }
}

INLINE void roll_off(const Shoulder *RESTRICT s, Planes *RESTRICT planes)
{
    float luminance[BLOCK];
    int any = 0;
    for (int i = 0; i < BLOCK; i++) {
        luminance[i] = s->luminance[0] * planes->red[i] + s->luminance[1] * planes->green[i]
            + s->luminance[2] * planes->blue[i];
        any |= luminance[i] > s->start;
    }
    if (!any)
        return;
    for (int i = 0; i < BLOCK; i++) {
        float over = most_of(luminance[i] - s->start, 0) / s->room;
        float lowered = s->start + s->room * over * (1 + over * s->bend) / (1 + over);
        float gain = over > 0 ? lowered / most_of(luminance[i], s->start) : 1;
        planes->red[i] *= gain;
        planes->green[i] *= gain;
        planes->blue[i] *= gain;
    }
}

/* Which of a block's pixels are outside, or no numbers: how many there are. */
INLINE int find_outside(const Planes *RESTRICT planes, float ceiling, int *RESTRICT flags)
{
    int found = 0;
    for (int i = 0; i < BLOCK; i++) {
        float red = planes->red[i], green = planes->green[i], blue = planes->blue[i];
        flags[i] = !((red >= 0) & (green >= 0) & (blue >= 0) & (red <= ceiling) & (green <= ceiling)
                     & (blue <= ceiling));
        found += flags[i];
    }
    return found;
}

/* Note the flagged pixels, and make them black for now. */
INLINE void put_aside(Planes *RESTRICT planes, int first, int count, const int *RESTRICT flags,
                      Aside *RESTRICT aside)
{
    int which[BLOCK], found = 0;
    for (int i = 0; i < count; i++) { /* without a branch: flags are hard to guess */
        which[found] = i;
        found += flags[i];
    }
    for (int k = 0; k < found; k++) {
        int i = which[k], place = aside->count + k;
        aside->colours.red[place] = planes->red[i];
        aside->colours.green[place] = planes->green[i];
        aside->colours.blue[place] = planes->blue[i];
        aside->column[place] = first + i;
    }
    aside->count += found;
    for (int i = 0; i < BLOCK; i++) {
        planes->red[i] = flags[i] ? 0 : planes->red[i];
        planes->green[i] = flags[i] ? 0 : planes->green[i];
        planes->blue[i] = flags[i] ? 0 : planes->blue[i];
    }
}

/* Bring what was put aside inside, and write it over what stands in its places. */
static void finish_aside(Aside *aside, const Coding *coding, const int16_t *grain, Target target)
{
    const Planes *colours = &aside->colours;
    fit_planes(&aside->colours, aside->count, coding->line, coding->ceiling);
    for (int i = 0; i < aside->count; i++) {
        uint8_t *bgr = target.row + 3 * place_of(aside->column[i], target);
        int own = grain[aside->column[i] % BLOCK];
        bgr[0] = code_of(coding->curve[index_of(colours->blue[i])], own);
        bgr[1] = code_of(coding->curve[index_of(colours->green[i])], own);
        bgr[2] = code_of(coding->curve[index_of(colours->red[i])], own);
    }
    aside->count = 0;
}

/* Codes of a block that is wholly inside. */
INLINE void code_block(const Planes *RESTRICT planes, const int16_t *RESTRICT curve,
                       const uint16_t *RESTRICT grain, uint8_t *RESTRICT codes)
{
    int32_t index[3][BLOCK];
    uint16_t value[3 * BLOCK];
    for (int i = 0; i < BLOCK; i++) {
        index[0][i] = (int)(planes->blue[i] * FULL + 0.5f);
        index[1][i] = (int)(planes->green[i] * FULL + 0.5f);
        index[2][i] = (int)(planes->red[i] * FULL + 0.5f);
    }
    for (int i = 0; i < BLOCK; i++) {
        value[3 * i] = (uint16_t)curve[index[0][i]];
        value[3 * i + 1] = (uint16_t)curve[index[1][i]];
        value[3 * i + 2] = (uint16_t)curve[index[2][i]];
    }
    for (int i = 0; i < 3 * BLOCK; i++) {
        /* One code higher than it shall be, so that nothing is below zero and 16 bits do. */
        uint16_t sum = (uint16_t)(value[i] + grain[i]);
        sum = sum > 1 << SHIFT ? sum : 1 << SHIFT;
        sum = (uint16_t)(sum - (1 << SHIFT));
        sum = sum < INT16_MAX ? sum : INT16_MAX;
        codes[i] = (uint8_t)(sum >> SHIFT);
    }
}

FAST static void code_row(const float *row, const Coding *coding, const int16_t *grain, Target target)
{
    Planes planes = {{0}, {0}, {0}};
    Aside aside;
    int flags[BLOCK];
    uint16_t thrice[3 * BLOCK];
    uint8_t codes[3 * BLOCK];
    aside.count = 0;
    for (int i = 0; i < BLOCK; i++)
        thrice[3 * i] = thrice[3 * i + 1] = thrice[3 * i + 2] = (uint16_t)(grain[i] + (1 << SHIFT));
    for (int first = 0; first < target.width; first += BLOCK) {
        int count = least_int(BLOCK, target.width - first);
        take_apart(row + 3 * first, count, &planes);
        to_srgb(coding->srgb, &planes);
        roll_off(coding->shoulder, &planes);
        int outside = find_outside(&planes, coding->ceiling, flags);
        if (outside) {
            if (aside.count + outside > BLOCK)
                finish_aside(&aside, coding, grain, target);
            put_aside(&planes, first, count, flags, &aside);
        }
        int place = place_of(first, target), before_seam = least_int(count, target.width - place);
        uint8_t *to = before_seam == BLOCK ? target.row + 3 * place : codes;
        code_block(&planes, coding->curve, thrice, to);
        if (to == codes) {
            memcpy(target.row + 3 * place, codes, 3 * before_seam);
            memcpy(target.row, codes + 3 * before_seam, 3 * (count - before_seam));
        }
    }
    finish_aside(&aside, coding, grain, target);
}

static const Argument arguments[] = {
    {"rows", 'f', 0, 3, {-1, -2, 3}}, {"srgb", 'f', 0, 2, {3, 3}},     {"shoulder", 'f', 0, 1, {6}},
    {"line", 'f', 0, 2, {10, 3}},     {"curve", 'h', 0, 1, {FULL + 1}}, {"grain", 'h', 0, 2, {-3, BLOCK}},
    {"out", 'B', 1, 3, {-1, -2, 3}}};

PyObject *code_kernel(PyObject *self, PyObject *args)
{
    PyObject *given[7];
    Arrays arrays;
    Coding coding;
    Py_ssize_t first, turn;
    (void)self;
    if (!PyArg_ParseTuple(args, "OOOOOOOnnf", &given[0], &given[1], &given[2], &given[3], &given[4], &given[5],
                          &given[6], &first, &turn, &coding.ceiling)
        || open_arrays(given, arguments, 7, &arrays) < 0)
        return NULL;
    Py_ssize_t count = arrays.length[0], width = arrays.length[1], period = arrays.length[2];
    if (first < 0 || turn < 0 || (width && turn >= width) || width > 1 << 24 || !period) {
        PyErr_SetString(PyExc_ValueError, "first and turn must lie in the frame, and grain must have rows");
        close_arrays(&arrays);
        return NULL;
    }
    coding.srgb = arrays.view[1].buf;
    coding.shoulder = arrays.view[2].buf;
    coding.line = arrays.view[3].buf;
    coding.curve = arrays.view[4].buf;
    const float *rows = arrays.view[0].buf;
    const int16_t *grain = arrays.view[5].buf;
    uint8_t *out = arrays.view[6].buf;
    Py_BEGIN_ALLOW_THREADS
    for (Py_ssize_t row = 0; row < count; row++) {
        Target target = {out + 3 * row * width, (int)width, (int)turn};
        code_row(rows + 3 * row * width, &coding, grain + BLOCK * ((first + row) % period), target);
    }
    Py_END_ALLOW_THREADS
    close_arrays(&arrays);
    Py_RETURN_NONE;
}
