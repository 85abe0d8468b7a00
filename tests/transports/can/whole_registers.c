/* Preloaded into user-mode Linux, so that it runs on processors with large registers.
 *
 * It keeps 2,696 bytes of a program's registers, enough up to AVX-512, and sets as many
 * again. A processor with AMX has 11,008 bytes, and Linux refuses to set only a part of
 * them (EFAULT; arch/x86/kernel/fpu/regset.c, xstateregs_set). Here what is missing is
 * added as not in use, which it is: a program has to ask for AMX before it can use it.
 * Sizes as measured, with user-mode Linux 6.1 and PTRACE_GETREGSET.
 */
#define _GNU_SOURCE
#include <elf.h>
#include <stdarg.h>
#include <stdint.h>
#include <string.h>
#include <sys/ptrace.h>
#include <sys/syscall.h>
#include <sys/uio.h>
#include <unistd.h>

/* Where the XSAVE area says which of its parts are in use (Intel, Software Developer's
 * Manual, volume 1, 13.4.2; from memory), and which of them lie within what is kept:
 * x87, SSE, AVX, bounds, AVX-512 and protection keys. */
enum { IN_USE = 512, KEPT = 0x2FF };

static unsigned char whole[1 << 16];

static long set_registers(long pid, const struct iovec *given)
{
    struct iovec all = { whole, sizeof whole };
    uint64_t in_use;

    if (syscall(SYS_ptrace, PTRACE_GETREGSET, pid, NT_X86_XSTATE, &all) != 0)
        return -1;
    if (given->iov_len < all.iov_len) {
        memset(whole, 0, all.iov_len);
        memcpy(whole, given->iov_base, given->iov_len);
        memcpy(&in_use, whole + IN_USE, sizeof in_use);
        in_use &= KEPT;
        memcpy(whole + IN_USE, &in_use, sizeof in_use);
        given = &all;
    }
    return syscall(SYS_ptrace, PTRACE_SETREGSET, pid, NT_X86_XSTATE, given);
}

long ptrace(enum __ptrace_request request, ...)
{
    va_list arguments;
    long pid, address, data, word;

    va_start(arguments, request);
    pid = va_arg(arguments, long);
    address = va_arg(arguments, long);
    data = va_arg(arguments, long);
    va_end(arguments);
    if (request == PTRACE_SETREGSET && address == NT_X86_XSTATE)
        return set_registers(pid, (const struct iovec *)data);
    if (request != PTRACE_PEEKTEXT && request != PTRACE_PEEKDATA && request != PTRACE_PEEKUSER)
        return syscall(SYS_ptrace, request, pid, address, data);
    /* The library hands over the word; the system call stores it. */
    return syscall(SYS_ptrace, request, pid, address, &word) == 0 ? word : -1;
}
