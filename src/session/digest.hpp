// Short keys for caches.
#pragma once

#include <cstdint>
#include <string>
#include <string_view>

namespace coldframe::session {

/// 64-bit FNV-1a (Fowler, Noll & Vo 1991) as 16 hexadecimal digits.
[[nodiscard]] std::string digest(std::string_view text);

/// A name that any file system holds: letters, digits, '.', '-', '_', '+' and
/// bytes above 127 stay, everything else becomes '_'; never empty, never hidden.
[[nodiscard]] std::string safe_file_name(std::string_view text);

}  // namespace coldframe::session
